"""A fleet of real processes, what is done to it, and what must hold all the same."""
