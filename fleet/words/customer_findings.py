"""What a customer reads of a finding, by what it is about and how grave it is, and of whether the set
would start now, in plain words.

No volts, no trade's words, nothing to do at the set. Which kind of trouble it is, is asked of the
finding's row; what exactly was seen is for whoever repairs it (docs/engineering/cautions.md#customers).
"""

from __future__ import annotations

from fleet.findings import Finding, Sentence
from fleet.findings.catalogue import row_of
from fleet.findings.row import Family
from fleet.findings.saying import moment
from fleet.model import Readiness, ReadinessNow
from fleet.words.customer_sentences import CUSTOMER_CAUTIONS
from fleet.words.readiness_sentences import READINESS, ago

Plain = tuple[str, str]
"""(title, what was seen, after which comes the moment it began)."""
ABOUT: dict[Family, Plain] = {
    "starting": ("May not start", "It did not start as it should, or may not the next time"),
    "reporting": ("Not heard as usual", "We do not hear from it as usual"),
    "service": ("Service", "Its regular service, or its count of hours, asks for a look"),
    "exercise": ("Test run", "Its regular test run was not as agreed"),
    "mains": ("Power cut", "There is no public power"),
    "fuel": ("Fuel low", "Its fuel runs low"),
    "battery": ("Starting battery", "Its starting battery is not as it should be"),
    "supply": ("Its power", "The power it makes is not as it should be"),
    "this_service": ("Our service", "Our own service has a fault, and we see to it"),
    "earlier": ("Seen earlier", "Something was seen that we do not look for any more"),
}
DANGER: Plain = (
    "Danger: stay away from it",
    "Its wiring may be dangerous to people and to what is plugged in",
)
KEEP_AWAY = (
    "Nobody goes near it or uses what it feeds. Call us at once, and the emergency number if "
    "anybody is hurt."
)
CALL_US = "Please call us and say whether you have power."
NOTHING_TO_DO = "You need not do anything at it: we call you if somebody has to come."


def customer_sentence(finding: Finding, zone: str, now: int) -> Sentence:
    """What a customer reads of a finding, in the site's zone. zone: IANA name; now: UTC seconds."""
    row = row_of(finding.facts)
    title, seen = DANGER if row.endangers else ABOUT[row.family]
    do = NOTHING_TO_DO
    if row.endangers:
        do = KEEP_AWAY
    elif finding.severity == "act_now":
        do = CALL_US
    elif finding.severity == "note":
        do = ""
    return Sentence(
        title=title,
        seen=f"{seen}, since {moment(finding.since, zone, now)}.",
        do=do,
        cautions=CUSTOMER_CAUTIONS if row.sends or row.endangers else (),
    )


STARTS: dict[Readiness, str] = {
    "ready": "it starts by itself, as far as is known",
    "doubtful": "it may not start by itself",
    "not_ready": "it would not start now, as far as is known",
    "unknown": "whether it would start now is not known",
    "set_aside": "it is out of use for work, or for a while",
}


def customer_readiness(now_: ReadinessNow | None, _zone: str, now: int) -> str:
    """Whether it would start now, as a customer reads it. now: UTC seconds."""
    state: Readiness = "unknown" if now_ is None else now_.state
    said = f"{READINESS[state]}: {STARTS[state]}."
    if now_ is None or now_.proof_at is None:
        return said
    return f"{said} It last started by itself {ago(now - now_.proof_at)}."
