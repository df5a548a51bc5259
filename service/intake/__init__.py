"""MQTT in: subscribe, decode, check, correct, commit, and only then acknowledge.

May import ``store``, ``shop``, ``science`` and ``sensors.payloads``.
"""
