"""QoS 1 through the embedded broker, as a machine of states: whatever the order, nothing is lost."""

from __future__ import annotations

from broker_lines import FakeLine, client, come, said
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from demo_fleet.broker.exchange import Exchange
from demo_fleet.broker.packets import Wish


class Delivery(RuleBasedStateMachine):
    """QoS 1 to a client that comes, goes, acknowledges and is slow, in any order.

    Whatever was published and not acknowledged is there again on the next connection, in order,
    marked as sent before; nothing that was acknowledged comes again; the window holds.
    """

    @initialize(window=st.integers(1, 5))
    def begin(self, window: int) -> None:
        self.exchange, self.window = Exchange(), window
        self.published = self.acknowledged = 0
        self.open: dict[int, int] = {}
        self.seen: set[int] = set()
        self.line: FakeLine | None = None
        self.reconnect()
        self.exchange.subscribe(self.session, [Wish("t", 1)])

    @rule()
    def reconnect(self) -> None:
        """Also while the old connection is up: it is taken over."""
        old = self.line
        self.session, self.line, _ = come(self.exchange, client(window=self.window))
        if old is not None:
            assert old.codes == [0x8E]
        self.open, self.latest = {}, -1
        self.hear()

    @rule()
    def lose(self) -> None:
        if self.line is not None:
            self.exchange.leave(self.session, self.line, 0.0, with_will=True)
            self.line, self.open = None, {}

    @rule(count=st.integers(1, 4))
    def publish(self, count: int) -> None:
        for _ in range(count):
            self.exchange.publish(said(b"%d" % self.published), None, 0.0)
            self.published += 1
        self.hear()

    @rule(which=st.integers(0, 4))
    def acknowledge(self, which: int) -> None:
        if self.line is not None and which < len(self.open):
            number = list(self.open)[which]
            done = self.open.pop(number)
            self.done.add(done)
            self.session.acknowledged(number, 0.0)
            self.hear()

    @rule(number=st.integers(1, 65_535))
    def acknowledge_nonsense(self, number: int) -> None:
        if self.line is not None and number not in self.open:
            before = self.session.unfinished
            if number not in self.numbers_owed():
                self.session.acknowledged(number, 0.0)
                assert self.session.unfinished == before

    @rule(writable=st.booleans())
    def slow(self, writable: bool) -> None:
        if self.line is not None:
            self.line.writable = writable
            self.session.pump(0.0)
            self.hear()

    def numbers_owed(self) -> set[int]:
        return set(self.session._owed)

    def hear(self) -> None:
        if self.line is None:
            return
        for number, payload, qos, again, _ in self.line.got:
            value = int(payload)
            assert qos == 1
            assert value not in self.done, "acknowledged, and sent again"
            assert again == (value in self.seen)
            assert value > self.latest, "out of order"
            assert number not in self.open, "one number for two messages"
            self.latest = value
            self.open[number] = value
            self.seen.add(value)
        self.line.got.clear()

    @invariant()
    def the_window_holds_and_nothing_is_lost(self) -> None:
        if not hasattr(self, "exchange"):
            return
        assert len(self.open) <= self.window
        assert self.session.unfinished == self.published - len(self.done)
        if self.line is not None and self.line.writable:
            assert len(self.open) == min(self.window, self.session.unfinished)

    @property
    def done(self) -> set[int]:
        self._done: set[int] = getattr(self, "_done", set())
        return self._done


TestDelivery = Delivery.TestCase
TestDelivery.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
