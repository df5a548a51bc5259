"""A data logger's CSV into the record: layout, columns, instants, rows, and the import itself.

Only commands import from here. It asks ``intake`` for the same checks that MQTT readings pass, and
``store`` to keep what passes; ``layout``, ``columns`` and ``instants`` are pure.
"""
