"""Notices out. May import ``store`` and ``shop``."""
