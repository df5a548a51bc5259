"""Moist air, evaporating film, drying, wood, vapour, salts and film build.

Pure functions on floats and NumPy arrays: no I/O, no clock, no database, no logging. Imports
nothing of the other rooms; every other room may import it.
"""
