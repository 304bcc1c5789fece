"""Setting an installation up, for the command and the page: what is known, what is tried, what is kept."""
