"""Duskbell's rules: plain functions on plain values.

Nothing in this package reads a clock, opens a socket, touches a database or
looks at a setting; `service` does that and hands the values in.
"""

RULES_VERSION = "1"
"""Stored with each decision; raised whenever a rule can reach another verdict."""
