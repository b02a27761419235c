"""What a set is called wherever it is named, and who may read the names of the firm's people. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.model import Customer, Scope, Site, Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class SetName:
    """A set's name on pages: its site's; its id beside it, the customer where that is another.

    short: the customer's name where the title only adds to it. id and site: ids; href: its page.
    """

    id: str
    title: str
    short: str
    customer: str
    address: str
    area: str
    site: str

    @property
    def href(self) -> str:
        """Where its page is."""
        return f"/units/{self.id}"


def set_name(unit: Unit, site: Site, customer: Customer) -> SetName:
    """The name of a unit from its rows of the register."""
    title = site.name or customer.name or unit.id
    return SetName(
        id=unit.id,
        title=title,
        short=customer.name if title.startswith(f"{customer.name},") else title,
        customer="" if customer.name in (title, title.split(",")[0]) else customer.name,
        address=site.address,
        area=unit.area,
        site=site.id,
    )


def staff_name(scope: Scope, name: str) -> str:
    """The name of one of the firm's people for those who see the whole fleet; '' for customers."""
    return name if scope.everything else ""
