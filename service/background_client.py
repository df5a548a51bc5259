"""An MQTT client beside the intake: it connects in the background and is brought back for ever."""

from __future__ import annotations

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from service.settings import MqttAddress

__all__ = ["make_client", "start_client", "stop_client"]


def make_client(address: MqttAddress) -> mqtt.Client:
    """Make a client that may be given its callbacks before it is started."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    if address.user is not None:
        client.username_pw_set(address.user, address.password)
    if address.tls:
        client.tls_set(address.ca)
    client.reconnect_delay_set(min_delay=1, max_delay=30)
    return client


def start_client(client: mqtt.Client, address: MqttAddress) -> None:
    """Connect in the background; an absent broker is retried for ever."""
    client.connect_async(address.host, address.port, keepalive=30)
    client.loop_start()


def stop_client(client: mqtt.Client) -> None:
    """Disconnect."""
    client.disconnect()
    client.loop_stop()
