"""Which InfluxDB the tests speak to: a named one, a container's, else the stub.

HOURHAND_TEST_INFLUX_URL, _TOKEN and _ORG name a server (the token may make buckets);
HOURHAND_TEST_INFLUX_IMAGE names an image to start where a Docker engine answers.
"""

from __future__ import annotations

import atexit
import functools
import itertools
import os
import uuid
from dataclasses import dataclass, field
from typing import Any

from influx_stub import ORG, TOKEN, Bucket, Stub

KIND = (
    "server"
    if os.environ.get("HOURHAND_TEST_INFLUX_URL")
    else "container"
    if os.environ.get("HOURHAND_TEST_INFLUX_IMAGE")
    else "stub"
)


@dataclass
class Server:
    """kind: server, container or stub."""

    kind: str
    url: str
    org: str
    token: str
    stub: Stub | None = None
    made: list[Any] = field(default_factory=list)

    def new_bucket(self) -> str:
        """The name of a new, empty bucket that keeps readings for ever."""
        name = f"hourhand-test-{uuid.uuid4().hex[:12]}-{next(_number)}"
        if self.stub is not None:
            self.stub.buckets[name] = Bucket()
        else:
            self.made.append(self.client().buckets_api().create_bucket(None, name, org=self.org))
        return name

    @functools.cache  # noqa: B019
    def client(self) -> Any:
        from influxdb_client import InfluxDBClient

        return InfluxDBClient(self.url, token=self.token, org=self.org)

    def __hash__(self) -> int:
        return id(self)

    def close(self) -> None:
        if self.stub is not None:
            self.stub.close()
        for bucket in self.made:
            self.client().buckets_api().delete_bucket(bucket)


_number = itertools.count()


@functools.cache
def server() -> Server:
    """The one server of this run, started on first use and left clean at its end."""
    if KIND == "server":
        found = Server(
            KIND,
            os.environ["HOURHAND_TEST_INFLUX_URL"],
            os.environ.get("HOURHAND_TEST_INFLUX_ORG", "hourhand"),
            os.environ["HOURHAND_TEST_INFLUX_TOKEN"],
        )
    elif KIND == "container":
        found = _container(os.environ["HOURHAND_TEST_INFLUX_IMAGE"])
    else:
        found = stub_server()
    atexit.register(found.close)
    return found


@dataclass(eq=False)
class StubServer(Server):
    """The stand-in, with its script."""

    stub: Stub = field(default_factory=Stub)


def stub_server() -> StubServer:
    """A stub of its own, for scripts of failures."""
    stub = Stub()
    return StubServer("stub", stub.url, ORG, TOKEN, stub)


def _container(image: str) -> Server:
    from testcontainers.core.container import DockerContainer
    from testcontainers.core.wait_strategies import HttpWaitStrategy

    token = uuid.uuid4().hex
    start = {
        "MODE": "setup",
        "USERNAME": "own",
        "PASSWORD": uuid.uuid4().hex,
        "ORG": "hourhand",
        "BUCKET": "first",
        "ADMIN_TOKEN": token,
    }
    container = DockerContainer(image).with_exposed_ports(8086)
    for name, value in start.items():
        container = container.with_env(f"DOCKER_INFLUXDB_INIT_{name}", value)
    container = container.waiting_for(HttpWaitStrategy(8086, "/health").for_status_code(200))
    container.start()
    atexit.register(container.stop)
    url = f"http://{container.get_container_host_ip()}:{container.get_exposed_port(8086)}"
    return Server("container", url, "hourhand", token)
