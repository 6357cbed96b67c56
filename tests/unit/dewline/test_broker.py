from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from dewline.broker import BrokerError, EmbeddedBroker
from tests.conftest import free_port, wait_until

TOPIC = "compressors/a/readings"
LISTENER = "listener"
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:amqtt")


@pytest.fixture
def port() -> Iterator[int]:
    chosen = free_port()
    with EmbeddedBroker(
        bind="127.0.0.1", port=chosen, client_id=LISTENER, topics=("compressors/+/readings",)
    ):
        yield chosen


def connected(port: int, client_id: str, received: list[bytes] | None = None) -> mqtt.Client:
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion.MQTTv311,
        clean_session=False,
    )
    if received is not None:
        client.on_connect = lambda *_: client.subscribe("compressors/+/readings", 1)
        client.on_message = lambda _client, _userdata, message: received.append(message.payload)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def hang_up(client: mqtt.Client) -> None:
    client.disconnect()
    client.loop_stop()


def publish(truck: mqtt.Client, payloads: list[bytes]) -> None:
    for payload in payloads:
        truck.publish(TOPIC, payload, qos=1).wait_for_publish(10.0)


def test_broker_keeps_for_the_listener_what_came_before_it_connected(port: int) -> None:
    truck, received = connected(port, "truck"), list[bytes]()
    publish(truck, [b"0", b"1"])
    listener = connected(port, LISTENER, received)
    wait_until(lambda: received == [b"0", b"1"], "what came before")
    hang_up(listener)
    hang_up(truck)


def test_broker_refuses_mqtt_5_by_the_reason_that_the_standard_gives_it(port: int) -> None:
    """MQTT 5.0 (OASIS, 2019), 3.2.2.2: 0x84 is an unsupported protocol version."""
    refused, reason = threading.Event(), list[int]()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="five", protocol=MQTTProtocolVersion.MQTTv5)

    def on_connect(
        _client: object, _userdata: object, _flags: object, code: mqtt.ReasonCode, *_: object
    ) -> None:
        reason.append(code.value)
        refused.set()

    client.on_connect = on_connect
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert refused.wait(5.0)
    hang_up(client)
    assert reason[0] == 0x84


def test_broker_outlives_nonsense(port: int) -> None:
    for nonsense in (
        b"",
        b"\x10",
        b"\x10\xff\xff\xff\xff\xff\xff",
        b"GET / HTTP/1.1\r\n\r\n",
        b"\x10\x05\x00\x01M\x09",
    ):
        with socket.create_connection(("127.0.0.1", port)) as stranger:
            stranger.sendall(nonsense)
    truck = connected(port, "truck")
    publish(truck, [b"0"])
    hang_up(truck)


def test_broker_names_the_port_that_is_taken(port: int) -> None:
    with pytest.raises(BrokerError, match=str(port)):
        EmbeddedBroker(bind="127.0.0.1", port=port, client_id="x", topics=()).start()


def test_broker_port_is_free_again_after_the_stop() -> None:
    chosen = free_port()
    for _ in range(2):
        EmbeddedBroker(bind="127.0.0.1", port=chosen, client_id="x", topics=()).__enter__().stop()
