"""Where the broker is, and a client made for it and subscribed."""

from __future__ import annotations

from typing import Any

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.buffered import BufferedClient

CONNECT_TIMEOUT_S = 10.0
"""How long a connection may take. A pace of ours."""


class Broker(msgspec.Struct, frozen=True, kw_only=True):
    """Where the broker is and how to speak to it."""

    host: str = "127.0.0.1"
    port: int = 1883
    user: str = ""
    password: str = ""
    tls: bool = False
    ca_file: str = ""
    topics: tuple[str, ...] = ("hourhand/+/+/+",)
    client_id: str = "hourhand-ingest"
    protocol: str = "auto"
    receive_maximum: int = 1000
    keepalive_s: int = 30
    session_s: int = 14 * 86_400


def new_client(broker: Broker, version: MQTTProtocolVersion) -> mqtt.Client:
    """A client that is not connected yet, for the documented external loop.

    Persistent session (none where session_s is 0), acknowledgements by hand, packets queued for our `loop_write`. Under
    MQTT 3.1.1 the broker's own window and session length hold.
    """
    version_5 = version == mqtt.MQTTv5
    client = BufferedClient(
        CallbackAPIVersion.VERSION2,
        broker.client_id,
        clean_session=None if version_5 else not broker.session_s,
        protocol=version,
        manual_ack=True,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    if broker.user:
        client.username_pw_set(broker.user, broker.password or None)
    if broker.tls:
        client.tls_set(ca_certs=broker.ca_file or None)
    client.on_socket_register_write = _queued
    properties = None
    if version_5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = broker.session_s
        properties.ReceiveMaximum = broker.receive_maximum
    client.connect_async(
        broker.host,
        broker.port,
        broker.keepalive_s,
        clean_start=False if version_5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY,
        properties=properties,
    )
    return client


def subscribe(client: mqtt.Client, broker: Broker, version: MQTTProtocolVersion) -> None:
    """Subscribe to every topic at QoS 1; MQTT 5 sends what is retained to a new subscription only."""
    for topic in broker.topics:
        if version == mqtt.MQTTv5:
            options = SubscribeOptions(
                qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
            )
            client.subscribe(topic, options=options)
        else:
            client.subscribe(topic, qos=1)


def _queued(_client: mqtt.Client, _data: Any, _connection: Any) -> None:
    """Being there makes paho queue its packets instead of sending each at once."""
