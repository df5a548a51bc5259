"""Decisions of a finishing shop on plain frozen dataclasses.

Imports ``science`` only. No SQL, no HTTP, no clock: the time is always an argument.
"""
