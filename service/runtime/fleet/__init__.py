"""The engine for many machines: procrastinate's job queue in the same PostgreSQL as the rows it serves.

Rows say what is due; a job only nudges. If every job is lost, the next sweep finds the same rows.
"""
