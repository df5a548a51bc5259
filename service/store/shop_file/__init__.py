"""A whole shop as one file in an open format, and a shop out of such a file.

A ZIP with a table a file as JSON lines, photos, the shop's own YAML, and a manifest with versions
and digests. It carries a shop from SQLite to PostgreSQL and back, and to later versions.
"""
