"""Boothglass: a weather-glass for a spray booth.

Rooms, lowest first: ``science`` (pure physics), ``shop`` (decisions), ``store`` (the only room
that knows SQL), then side by side ``intake`` (MQTT in), ``notify`` (notices out) and ``web``
(pages and API). ``app`` wires them; ``cli`` starts them.
"""
