"""Duskbell's rules: plain functions on plain values.

Nothing in this package reads a clock, opens a socket, touches a database or
looks at a setting; `service` does that and hands the values in.
"""

RULES_VERSION = "3"
"""Stored with each decision, and part of the key of each stored night; raised whenever a rule can reach
another verdict or word. The next cycle then makes the nights ahead anew and looks at everything again; what
was decided keeps the nights it rests on."""
