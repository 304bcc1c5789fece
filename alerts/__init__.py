"""Duskbell's rules: plain functions on plain values.

Nothing in this package reads a clock, opens a socket, touches a database or
looks at a setting; `service` does that and hands the values in.
"""

RULES_VERSION = "2"
"""Stored with each night and decision; raised whenever a rule can reach another verdict or word. Nothing is
worked out anew for it: nights stand until they pass, and every decision is looked at again within hours."""
