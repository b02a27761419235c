"""A device that sends its readings several together is one habit, not a row of silences."""

from __future__ import annotations

import pytest
from batching import Device, heard
from planted import MIDNIGHT

HOUR = 3600
RUN = ((MIDNIGHT + 30 * HOUR, MIDNIGHT + 33 * HOUR),)
CASES = {
    "four": Device(300, 60, 4, 4, RUN),
    "twelve": Device(300, 60, 12, 12, RUN),
    "twelve, a message each": Device(300, 60, 12, 12, RUN, apart=True),
    "four, one by one while it runs": Device(900, 60, 4, 1, RUN),
    "four, only while it runs": Device(900, 60, 1, 4, RUN),
    "four of fifteen minutes, clock an hour fast": Device(900, 60, 4, 4, RUN, clock_s=-3600),
    "four, then twelve": Device(300, 60, 4, 4, RUN, changes={MIDNIGHT + 20 * HOUR: 12}),
}


@pytest.mark.parametrize("device", CASES.values(), ids=CASES)
def test_it_never_is_not_reporting_and_its_run_is_one(device: Device) -> None:
    began = MIDNIGHT + 2 * HOUR
    late_s = max(device.kept, *device.changes.values(), 0) * device.at_rest_s + 300
    for now, said in heard(device, 300):
        word = said.summary.condition
        clock_s = abs(device.clock_s)
        assert word != "not_reporting", (now - MIDNIGHT) / HOUR
        assert {f.severity for f in said.findings} <= {"note", "next_visit"}, said.findings
        start, end = RUN[0]
        if start + late_s <= now < end and not clock_s:
            assert word == "running", (now - MIDNIGHT) / HOUR
        elif began <= now < start or now >= end + late_s + clock_s:
            assert word == "standing_by", (now - MIDNIGHT) / HOUR


def test_a_night_without_the_router_is_silence_and_the_morning_is_not() -> None:
    """Three of its deliveries are waited for, in the night as before."""
    night = (MIDNIGHT + 20 * HOUR, MIDNIGHT + 28 * HOUR)
    device = Device(900, 60, 4, 4, RUN, offline=[night])
    words = {now: said.summary.condition for now, said in heard(device, 300)}
    silent = [now for now, word in words.items() if word == "not_reporting"]
    assert night[0] + 2 * HOUR < silent[0] < night[0] + 3.5 * HOUR
    assert silent[-1] <= night[1] + HOUR
    assert silent == [now for now in words if silent[0] <= now <= silent[-1]], "it does not flap"
