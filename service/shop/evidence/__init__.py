"""What the record shows behind a flaw: air, coats, waits, moves, swings, wood and corrections.

Pure: the store gathers what happened, this package makes figures of it. Nothing here says why the
flaw came; that is for ``shop.causes``.
"""
