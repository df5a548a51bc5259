"""What is kept: tables, migrations, queries and the use cases that commit.

The only room that knows SQL. May import ``shop`` and ``science``.
"""
