"""Who holds connections open does not keep others out: deadlines, room by address, real sockets.

Loopback has many addresses: 127.0.0.2 floods, 127.0.0.3 is somebody else.
"""

from __future__ import annotations

import re
import resource
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, ClassVar
from weakref import WeakSet

import pytest
import trustme
import uvicorn
from as_viewer import as_real_owner
from hypothesis import given
from hypothesis import strategies as st
from seeding import NOW, seeded
from service import Service, free_port, wait_for

from dashboard import events
from dashboard.app import create_app
from dashboard.server import Crowd, Guest, Server, room_for
from dashboard.server.protocol import Times
from hourhand.supervisor import listens

PATIENCE_S = 30
QUICK = Times(head=0.6, body=0.6, body_bytes=10**9, write=0.6, linger=0.6)


async def app(scope: Any, receive: Any, send: Any) -> None:
    """/echo tells how much came; /long never stops answering; /wait answers when the body is there."""
    if scope["type"] == "lifespan":
        while True:
            message = await receive()
            await send({"type": f"{message['type']}.complete"})
            if message["type"] == "lifespan.shutdown":
                return
    if scope["path"] == "/long":
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for _ in range(10_000):
            await send({"type": "http.response.body", "body": b"x" * 65_536, "more_body": True})
        return
    came, more = 0, True
    while more and scope["method"] == "POST":
        message = await receive()
        if message["type"] == "http.disconnect":
            return
        came, more = came + len(message["body"]), message["more_body"]
    said = b"%d bytes over %s" % (came, scope["scheme"].encode())
    await send(
        {
            "type": "http.response.start",
            "status": 200,
            "headers": [(b"content-length", b"%d" % len(said))],
        }
    )
    await send({"type": "http.response.body", "body": said})


@contextmanager
def served(
    crowd: Crowd, times: Times = QUICK, of: Any = app, tls: Path | None = None
) -> Iterator[int]:
    """Port of a server on every loopback address."""
    config = uvicorn.Config(
        of,
        host="0.0.0.0",
        port=0,
        loop="asyncio",
        http="h11",
        ws="none",
        log_level="error",
        timeout_keep_alive=1,
        timeout_graceful_shutdown=1,
        ssl_certfile=str(tls / "cert.pem") if tls else None,
        ssl_keyfile=str(tls / "key.pem") if tls else None,
    )
    server = Server(config, crowd, times)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        wait_for("the server", lambda: server.started)
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        for link in list(Link.made):
            link.close()
        server.should_exit = True
        thread.join(PATIENCE_S)


class Link:
    """A connection from one of the loopback addresses; closed with the server it was of."""

    made: ClassVar[WeakSet[Link]] = WeakSet()

    def __init__(self, port: int, of: str = "127.0.0.2", said: bytes = b"") -> None:
        self.socket = socket.create_connection(
            ("127.0.0.1", port), PATIENCE_S, source_address=(of, 0)
        )
        Link.made.add(self)
        self.say(said)

    def say(self, said: bytes) -> None:
        self.socket.sendall(said)

    def end(self) -> bytes:
        """Everything until it was closed from over there."""
        heard = b""
        try:
            while piece := self.socket.recv(65_536):
                heard += piece
        except ConnectionError:
            pass
        return heard

    def until(self, said: bytes) -> bytes:
        """Everything up to those words. Raises EOFError where they do not come."""
        heard = b""
        while said not in heard:
            piece = self.socket.recv(65_536)
            if not piece:
                raise EOFError(heard)
            heard += piece
        return heard

    def open(self) -> bool:
        """Whether nobody closed it so far."""
        self.socket.setblocking(False)
        try:
            while self.socket.recv(65_536):
                pass
            return False
        except BlockingIOError:
            return True
        except OSError:
            return False
        finally:
            self.socket.settimeout(PATIENCE_S)

    def close(self) -> None:
        self.socket.close()

    __del__ = close


GET = b"GET /echo HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
HALF_HEAD = b"GET /echo HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "
HALF_BODY = b"POST /echo HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 1000\r\n\r\nabc"
HALF_CHUNK = (
    b"POST /echo HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\nffff\r\nab"
)


@pytest.fixture
def links() -> Iterator[list[Link]]:
    made: list[Link] = []
    yield made
    for link in made:
        link.close()


@pytest.mark.parametrize("half", [HALF_HEAD, HALF_BODY, HALF_CHUNK], ids=["head", "body", "chunk"])
def test_what_comes_too_slowly_is_given_up_in_words(half: bytes) -> None:
    """However often another byte comes."""
    with served(Crowd(50, 50)) as port:
        link = Link(port, said=half)
        stop = threading.Event()

        def dribble() -> None:
            while not stop.wait(0.05):
                try:
                    link.say(b"a")
                except OSError:
                    return

        thread = threading.Thread(target=dribble)
        thread.start()
        heard = link.until(b"Send it again.")
        stop.set()
        thread.join()
        assert heard.startswith(b"HTTP/1.1 408 ")
        assert b"retry-after: 10" in heard
        link.close()


def test_who_says_nothing_is_not_answered() -> None:
    crowd = Crowd(50, 50)
    with served(crowd) as port:
        assert Link(port).end() == b""
        wait_for("it to be forgotten", lambda: len(crowd) == 0)


def test_a_body_that_comes_is_taken() -> None:
    with served(Crowd(50, 50)) as port:
        link = Link(port, said=b"POST /echo HTTP/1.1\r\nHost: a\r\nContent-Length: 300000\r\n\r\n")
        for _ in range(30):
            link.say(b"x" * 10_000)
        assert b"300000 bytes over http" in link.until(b"http")
        link.say(GET)
        assert b"0 bytes over http" in link.until(b"http"), "the same connection goes on"
        link.close()


def test_requests_one_behind_the_other_are_all_answered() -> None:
    with served(Crowd(50, 50)) as port:
        link = Link(port, said=GET * 5)
        heard = link.until(b"http")
        while heard.count(b"200 OK") < 5:
            heard += link.until(b"http")
        link.close()


def test_an_answer_nobody_reads_is_given_up() -> None:
    crowd = Crowd(50, 50)
    with served(crowd) as port:
        link = Link(port, said=b"GET /long HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        wait_for("it to be there", lambda: len(crowd) == 1)
        wait_for("it to be given up", lambda: len(crowd) == 0)
        link.close()


def test_an_answer_that_is_read_goes_on_beyond_every_deadline() -> None:
    with served(Crowd(50, 50)) as port:
        link = Link(port, said=b"GET /long HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        got = 0
        pause = threading.Event()
        while got < 30_000_000:
            piece = link.socket.recv(1 << 20)
            assert piece, "it was cut off"
            got += len(piece)
            pause.wait(0.02)
        link.close()


def test_an_address_with_too_many_is_told_so_and_others_are_let_in(links: list[Link]) -> None:
    crowd = Crowd(50, 5)
    slow = Times(head=60, body=60)
    with served(crowd, slow) as port:
        busy = b"GET /long HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        links += [Link(port, said=busy) for _ in range(5)]
        for link in links:
            link.until(b"200 OK")
        refused = Link(port)
        heard = refused.end()
        assert heard.startswith(b"HTTP/1.1 429 Too Many Requests")
        assert b"retry-after" in heard
        assert b"Close some, and try again" in heard
        assert b"0 bytes" in Link(port, "127.0.0.3", GET).until(b"http")


def test_who_waits_makes_room_for_who_asks(links: list[Link]) -> None:
    """Idle ones go first, then half a head, then half a body; who is answered stays."""
    crowd = Crowd(50, 4)
    with served(crowd, Times(head=60, body=60)) as port:
        busy = Link(port, said=b"GET /long HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        busy.until(b"200 OK")
        body, head, idle = (
            Link(port, said=HALF_BODY),
            Link(port, said=HALF_HEAD),
            Link(port, said=GET),
        )
        links += [busy, body, head, idle]
        idle.until(b"http")
        wait_for("all to be counted", lambda: len(crowd) == 4)
        for expected in (idle, head, body):
            new = Link(port, said=b"GET /long HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            links.append(new)
            new.until(b"200 OK")
            assert expected.end() == b""
        assert busy.open()
        assert b" 429 " in Link(port).end()


def test_all_together_are_bounded_and_the_largest_makes_room(links: list[Link]) -> None:
    crowd = Crowd(10, 8)
    with served(crowd, Times(head=60, body=60)) as port:
        links += [Link(port, said=HALF_HEAD) for _ in range(8)]
        few = [Link(port, "127.0.0.4", HALF_HEAD) for _ in range(2)]
        links += few
        wait_for("all to be counted", lambda: len(crowd) == 10)
        assert b"0 bytes" in Link(port, "127.0.0.3", GET).until(b"http")
        assert all(link.open() for link in few)


# --- the crowd by itself -------------------------------------------------------------------------

STEPS = st.lists(
    st.tuples(
        st.sampled_from(["enter", "gone", "idle", "head", "body", "answer"]),
        st.sampled_from(["10.0.0.1", "10.0.0.2", "2001:db8::1", "2001:db8::2", "10.9.9.9"]),
        st.integers(0, 30),
    ),
    max_size=120,
)


@given(STEPS, st.integers(1, 6), st.integers(1, 12))
def test_never_more_than_may_be_and_nobody_who_is_answered_is_shown_out(
    steps: list[tuple[str, str, int]], most_address: int, most: int
) -> None:
    crowd = Crowd(most, most_address, trusted=lambda address: address == "10.9.9.9")
    held: list[Guest] = []
    shown_out: list[Guest] = []
    for what, address, n in steps:
        if what == "enter":
            box: list[Guest] = []
            found = crowd.enter(address, lambda box=box: shown_out.append(box[0]))  # type: ignore[misc]
            if isinstance(found, Guest):
                box.append(found)
                held.append(found)
        elif held:
            guest = held[n % len(held)]
            if what == "gone":
                crowd.gone(guest)
                held.remove(guest)
            else:
                guest.phase = what  # type: ignore[assignment]
        for guest in shown_out:
            assert guest.phase != "answer"
            held.remove(guest)
        shown_out.clear()
        assert len(crowd) == len(held) <= most
        for place in {guest.place for guest in held if not guest.proxy}:
            assert sum(guest.place == place for guest in held) <= most_address


def test_one_subscriber_of_ipv6_is_one_address() -> None:
    crowd = Crowd(10, 1)
    first = crowd.enter("2001:db8::1", lambda: None)
    assert isinstance(first, Guest)
    first.phase = "answer"
    assert crowd.enter("2001:db8::2", lambda: None) == 429
    assert isinstance(crowd.enter("2001:db8:0:1::2", lambda: None), Guest)


def test_behind_a_proxy_each_address_it_names_is_counted() -> None:
    crowd = Crowd(100, 2, trusted=lambda address: address == "10.9.9.9")
    with ExitStack() as stack:
        rooms = [stack.enter_context(crowd.asking("10.9.9.9", "10.0.0.7")) for _ in range(3)]
        assert rooms == [True, True, False]
        assert stack.enter_context(crowd.asking("10.9.9.9", "10.0.0.8"))
        assert all(stack.enter_context(crowd.asking("10.0.0.7", "10.0.0.7")) for _ in range(5))
    with crowd.asking("10.9.9.9", "10.0.0.7") as room:
        assert room


def test_room_is_bounded_by_the_files_a_process_may_open() -> None:
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (300, before[1]))
        assert room_for(50) == 50
        assert room_for(800) == 800
        assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] >= 1000
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


# --- bodies without a length ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The pages of a fleet, everybody its owner; five streams an address."""
    with seeded(tmp_path_factory.mktemp("served") / "data") as fleet:
        made = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
        as_real_owner(made, fleet.registry, NOW)
        yield made


def chunked(body: bytes) -> bytes:
    return b"%x\r\n%s\r\n" % (len(body), body)


def test_a_body_without_a_length_is_taken_up_to_its_bound(pages: Any) -> None:
    head = (
        b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\nTransfer-Encoding: "
        b"chunked\r\nContent-Type: application/x-www-form-urlencoded\r\n\r\n"
    )
    with served(pages.state.services.crowd, Times(), pages) as port:
        link = Link(port, said=head + chunked(b"login=nobody&password=x") + b"0\r\n\r\n")
        assert b"do not belong together" in link.until(b"</html>")
        link.close()
        large = Link(port, said=head)
        with suppress(ConnectionError):
            for _ in range(40):
                large.say(chunked(b"x" * 50_000))
        heard = large.until(b"Send it in parts.")
        assert heard.startswith(b"HTTP/1.1 413 ")
        large.close()


# --- pages that stay fresh -----------------------------------------------------------------------

STREAM = b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


def listening(feed: Any, pages: int) -> bool:
    """So many pages are told the news."""
    return bool(feed.condition().listening == pages)


def test_of_too_many_pages_of_one_viewer_the_oldest_rests(pages: Any, links: list[Link]) -> None:
    feed = pages.state.services.feed
    with served(pages.state.services.crowd, Times(), pages) as port:
        for n in range(events.A_VIEWER):
            links.append(Link(port, said=STREAM))
            links[-1].until(b"listening")
            wait_for("it to listen", partial(listening, feed, n + 1))
        links.append(Link(port, said=STREAM))
        links[-1].until(b"listening")
        heard = links[0].until(b"0\r\n\r\n")
        assert b"too many pages of yours are open" in heard
        assert b"retry: 60000" in heard
        wait_for("ten to be left", lambda: feed.condition().listening == events.A_VIEWER)
        assert links[1].open()


def test_an_address_has_so_many_streams(
    pages: Any, links: list[Link], monkeypatch: pytest.MonkeyPatch
) -> None:
    feed = pages.state.services.feed
    wait_for("the others to be gone", lambda: feed.condition().listening == 0)
    monkeypatch.setattr(feed, "_most_address", 3)
    with served(pages.state.services.crowd, Times(), pages) as port:
        for n in range(3):
            links.append(Link(port, said=STREAM))
            links[-1].until(b"listening")
            wait_for("it to listen", partial(listening, feed, n + 1))
        refused = Link(port, said=STREAM).until(b"looks again in a minute")
        assert b"HTTP/1.1 429" in refused
        assert b"retry-after: 60" in refused
        assert b"200 OK" in Link(port, "127.0.0.3", STREAM).until(b"listening")


# --- handshakes ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tls")
    authority = trustme.CA()
    issued = authority.issue_cert("sets.hourhand.test")
    for pem in issued.cert_chain_pems:
        pem.write_to_path(folder / "cert.pem", append=True)
    issued.private_key_pem.write_to_path(folder / "key.pem")
    authority.cert_pem.write_to_path(folder / "ca.pem")
    return folder


def over_tls(certificate: Path, port: int, of: str) -> ssl.SSLSocket:
    context = ssl.create_default_context(cafile=str(certificate / "ca.pem"))
    plain = socket.create_connection(("127.0.0.1", port), PATIENCE_S, source_address=(of, 0))
    return context.wrap_socket(plain, server_hostname="sets.hourhand.test")


def asked(link: ssl.SSLSocket) -> bytes:
    link.sendall(GET)
    heard = b""
    while b"over" not in heard:
        heard += link.recv(65_536)
    return heard


def test_half_a_handshake_is_counted_and_given_up(certificate: Path, links: list[Link]) -> None:
    crowd = Crowd(50, 4)
    with served(crowd, QUICK, tls=certificate) as port:
        links += [
            Link(port, said=said) for said in (b"", b"\x16\x03\x01", b"GET / HTTP/1.1\r\n\r\n")
        ]
        with over_tls(certificate, port, "127.0.0.3") as other:
            assert b"0 bytes over https" in asked(other)
        for link in links:
            link.end()
        wait_for("all to be forgotten", lambda: len(crowd) == 0)
        # half a handshake makes room for a whole one of the same address
        slow = served(Crowd(50, 2), Times(head=60), tls=certificate)
        with slow as second:
            links += [Link(second, said=b"\x16\x03\x01") for _ in range(2)]
            with over_tls(certificate, second, "127.0.0.2") as other:
                assert b"0 bytes over https" in asked(other)


def test_what_comes_with_the_end_of_the_handshake_is_not_lost(certificate: Path) -> None:
    """Over TLS 1.3 the request travels with the client's last word of the handshake."""
    with served(Crowd(50, 50), Times(), tls=certificate) as port:
        for _ in range(20):
            incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
            context = ssl.create_default_context(cafile=str(certificate / "ca.pem"))
            speaker = context.wrap_bio(incoming, outgoing, server_hostname="sets.hourhand.test")
            link = Link(port)
            while True:
                try:
                    speaker.do_handshake()
                    break
                except ssl.SSLWantReadError:
                    link.say(outgoing.read())
                    incoming.write(link.socket.recv(65_536))
            speaker.write(GET)
            link.say(outgoing.read())  # Finished and the request in one
            heard = b""
            while b"bytes over https" not in heard:
                try:
                    heard += speaker.read(65_536)
                except ssl.SSLWantReadError:
                    incoming.write(link.socket.recv(65_536))
            link.close()


# --- the program itself --------------------------------------------------------------------------

FLOOD = 1_500
LESS = 400
"""Twice what an address may have open: enough to be refused, in the ordinary run."""


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The dashboard as it is started, with one set and its first owner."""
    service = Service(tmp_path_factory.mktemp("program") / "data", free_port())
    service.register()
    service.start("dashboard")
    wait_for("the pages", lambda: listens("127.0.0.1", service.http_port))
    yield service
    service.stop()


ATTACKS: dict[str, bytes] = {
    "half a head": HALF_HEAD,
    "half a body": HALF_BODY.replace(b"/echo", b"/sign-in").replace(
        b"Content-Length", b"Origin: http://127.0.0.1\r\nContent-Length"
    ),
    "nothing at all": b"",
    "asked and never read": b"GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 20,
    "idle": b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
}


@pytest.mark.parametrize("many", [LESS, pytest.param(FLOOD, marks=pytest.mark.long)])
@pytest.mark.parametrize("how", ATTACKS)
def test_a_flood_of_one_address_keeps_nobody_out(program: Service, how: str, many: int) -> None:
    """So many connections of 127.0.0.2, and another address is answered all the while."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, many + 2000), hard))
    flood: list[Link] = []
    try:
        for n in range(many):
            with suppress(ConnectionError):  # refused, and reset while it still spoke
                flood.append(Link(program.http_port, said=ATTACKS[how]))
            if n % 150 == 149:
                answered(program.http_port)
        assert len(flood) > 200
        answered(program.http_port)
        wait_for(
            "no more than an address may have to be open",
            lambda: sum(link.open() for link in flood) <= 200,
        )
        answered(program.http_port)
    finally:
        for link in flood:
            link.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert program.processes["dashboard"].poll() is None
    answered(program.http_port, "127.0.0.2")


def answered(port: int, of: str = "127.0.0.3") -> None:
    """Somebody at that address opens a page and gets it."""

    def look() -> bool:
        link = Link(
            port, of, b"GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
        )
        try:
            return re.match(rb"HTTP/1\.1 (200|303) ", link.end()) is not None
        finally:
            link.close()

    if of == "127.0.0.3":
        assert look()
    else:
        wait_for("the flood to be forgotten", look)
