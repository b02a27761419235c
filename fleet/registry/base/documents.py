"""Stored documents: every `doc` of the registry is written and read by this module alone.

A document is the JSON of one noun, as msgspec writes it. A noun whose stored form is another than
its fields say, or an older form that is still to be read, is looked after here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import msgspec

from fleet import findings
from fleet.model import (
    Calibration,
    Call,
    Contract,
    Customer,
    DeviceEvent,
    DueItem,
    Finding,
    Job,
    JobStep,
    Mark,
    Notice,
    Outage,
    OutageMember,
    Pulse,
    Record,
    ServicePlan,
    Site,
    Step,
    Technician,
    Unit,
    UnitSummary,
)

T = TypeVar("T")

encode: Callable[[object], bytes] = msgspec.json.Encoder().encode
"""The document of a noun. The same noun gives the same bytes, so that documents can be compared."""


def decoder(kind: type[T]) -> Callable[[bytes], T]:
    """What reads documents of a kind, or a few fields of them (a record that names only those). It
    raises msgspec.DecodeError, of which ValidationError is one."""
    return findings.decoder(kind)


calibration = decoder(Calibration)
call = decoder(Call)
contract = decoder(Contract)
customer = decoder(Customer)
device_event = decoder(DeviceEvent)
due_item = decoder(DueItem)
finding = decoder(Finding)
job = decoder(Job)
job_step = decoder(JobStep)
mark = decoder(Mark)
notice = decoder(Notice)
outage = decoder(Outage)
outage_member = decoder(OutageMember)
plan = decoder(ServicePlan)
pulse = decoder(Pulse)
record = decoder(Record)
site = decoder(Site)
step = decoder(Step)
summary = decoder(UnitSummary)
technician = decoder(Technician)
unit = decoder(Unit)
