"""A sensor of one's own: a small Linux board with a humidity chip on its I²C bus.

Chips are read (:mod:`~sensors.node.sht3x`, :mod:`~sensors.node.sht4x`,
:mod:`~sensors.node.bme280`), every measurement is written into a small file with its own instant,
and leaves it when the broker has acknowledged it. May import ``sensors.payloads``,
``sensors.publish`` and the standard library, so that it runs on a board without NumPy; nothing may
import it but its own command.
"""
