"""The invented customers: who they are, where their sets stand, what the sets are.

Towns are real and lie in Northumberland and the Scottish Borders (positions to about a kilometre,
memory), so that the map and the driving are plausible; a set stands at its town's position moved by a
fixed pattern, which is no address. Customers, streets, people, makes and models are invented: no name
is formed of a river, hill, village or street of the country (`REAL`). Telephone numbers are from the
range 01632 960000 to 960999, which Ofcom keeps free for drama use
(ofcom.org.uk, "Telephone numbers for use in TV shows, films and other creative works"). Nobody has an
e-mail address.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

TOWNS: dict[str, tuple[float, float, str]] = {
    "Berwick-upon-Tweed": (55.77, -2.01, "Coast"),
    "Eyemouth": (55.87, -2.09, "Coast"),
    "Seahouses": (55.58, -1.66, "Coast"),
    "Belford": (55.60, -1.83, "Coast"),
    "Alnwick": (55.41, -1.71, "Coast"),
    "Amble": (55.33, -1.58, "Coast"),
    "Hexham": (54.97, -2.10, "Tyne valley"),
    "Corbridge": (54.97, -2.02, "Tyne valley"),
    "Haltwhistle": (54.97, -2.46, "Tyne valley"),
    "Bellingham": (55.14, -2.25, "Tyne valley"),
    "Rothbury": (55.31, -1.91, "Coquet"),
    "Otterburn": (55.23, -2.18, "Coquet"),
    "Wooler": (55.55, -2.01, "Coquet"),
    "Morpeth": (55.17, -1.69, "Coquet"),
    "Kelso": (55.60, -2.43, "Tweed"),
    "Coldstream": (55.65, -2.25, "Tweed"),
    "Duns": (55.78, -2.34, "Tweed"),
    "Jedburgh": (55.48, -2.56, "Tweed"),
    "Lauder": (55.72, -2.75, "Tweed"),
    "Galashiels": (55.62, -2.81, "Ettrick"),
    "Melrose": (55.60, -2.72, "Ettrick"),
    "Selkirk": (55.55, -2.84, "Ettrick"),
    "Hawick": (55.42, -2.79, "Ettrick"),
    "Peebles": (55.65, -3.19, "Ettrick"),
}
REAL: frozenset[str] = frozenset(
    {
        "adder",
        "ale",
        "blackadder",
        "bowmont",
        "cheviot",
        "coquet",
        "eildon",
        "ettrick",
        "fairnyside",
        "gala",
        "hartburn",
        "jed",
        "kale",
        "lauderdale",
        "leader",
        "lennel",
        "lindisfarne",
        "powburn",
        "rede",
        "shoreston",
        "slitrig",
        "spittal",
        "teviot",
        "till",
        "tweed",
        "tyne",
        "venlaw",
        "wansbeck",
        "whiteadder",
        "whitelees",
        "yarrow",
    }
)
"""Rivers, hills, farms and villages of the country: no invented name begins with one of them."""
STREETS: frozenset[str] = frozenset(
    {
        "abbey",
        "abbot",
        "bridge",
        "castle",
        "church",
        "high",
        "lane",
        "links",
        "main",
        "market",
        "mill",
        "park",
        "quarry",
        "riverside",
        "road",
        "station",
        "street",
        "toll",
        "victoria",
    }
)
"""Words of streets that many towns have: no invented street is made of these alone."""
AREAS: tuple[str, ...] = ("Coast", "Tyne valley", "Coquet", "Tweed", "Ettrick")
ZONE = "Europe/London"


@dataclass(frozen=True)
class Model:
    """A kind of set. Power [kW], volts [V], tank [l], battery [V, Ah]."""

    name: str
    rated_kw: float
    cooling: str
    fuel: str
    cylinders: int
    nominal_v: int
    battery_v: int
    battery_ah: int
    tank_l: int
    performance_class: str

    @property
    def engine_class(self) -> str:
        return f"{self.cooling}_{'diesel' if self.fuel == 'diesel' else 'spark'}"


MODELS: dict[str, Model] = {
    m.name: m
    for m in (
        Model("Set A 6", 6, "air", "petrol", 1, 230, 12, 24, 40, ""),
        Model("Set A 8", 8, "air", "lpg", 2, 230, 12, 35, 400, ""),
        Model("Set A 12", 12, "air", "lpg", 2, 230, 12, 45, 600, ""),
        Model("Set A 17", 17, "air", "lpg", 2, 230, 12, 45, 900, "G1"),
        Model("Set A 20", 20, "air", "lpg", 2, 400, 12, 60, 1000, "G1"),
        Model("Set B 15", 15, "liquid", "diesel", 3, 230, 12, 70, 90, "G2"),
        Model("Set B 30", 30, "liquid", "diesel", 4, 400, 12, 90, 180, "G2"),
        Model("Set B 45", 45, "liquid", "diesel", 4, 400, 12, 100, 400, "G2"),
        Model("Set C 80", 80, "liquid", "diesel", 4, 400, 24, 100, 350, "G3"),
        Model("Set C 120", 120, "liquid", "diesel", 6, 400, 24, 140, 500, "G3"),
        Model("Set C 200", 200, "liquid", "diesel", 6, 400, 24, 180, 800, "G3"),
    )
}

# customer, kind, street, town, models: one row a site. The sets to which something happens
# (`faults.CAST`) stand first, so that a small fleet has them too.
_SITES: tuple[tuple[str, str, str, str, str], ...] = (
    ("Harrigarth Surgery", "clinic", "3 Harrigarth Wynd", "Wooler", "B 30"),
    ("Stobgreen Farm", "farm", "Stobgreen Lane", "Kelso", "B 30"),
    ("Cowpath Stores", "shop", "11 Cowpath Row", "Seahouses", "A 12"),
    ("Broomhirst Grain", "farm", "Broomhirst Drove", "Duns", "B 45"),
    ("Mr and Mrs Tarrick", "home", "Peelgarth, Tarrick Loan", "Jedburgh", "A 12"),
    ("The Lonely Curlew", "shop", "2 Curlewgarth Green", "Rothbury", "A 17"),
    ("Withyrigg Dairy", "farm", "Withyrigg Loan", "Lauder", "B 30"),
    ("Larkfold Veterinary Practice", "clinic", "8 Larkfold Brae", "Hexham", "A 17"),
    ("Sandrigg Pumping Station", "pumping", "Sandrigg Dyke", "Berwick-upon-Tweed", "C 120, C 120"),
    ("Whinfoldrigg Care Home", "care", "40 Whinfoldrigg Loan", "Galashiels", "C 80"),
    ("Netherwhin Farm", "farm", "Netherwhin Track", "Bellingham", "B 15"),
    ("Miss Ordeswick", "home", "Fernyknowe Cottage", "Otterburn", "A 8"),
    ("Millhaw Workshops", "works", "Unit 6, Millhaw Yard", "Hawick", "B 30"),
    ("Dr Hallam", "home", "Blackthornhirst Lodge", "Selkirk", "A 6"),
    ("Strotherden Post and Provisions", "shop", "1 Strotherden Gate", "Haltwhistle", "A 12"),
    ("Ravenslee Water Works", "pumping", "Ravenslee Glen", "Peebles", "C 200, C 200, C 80, B 30"),
    ("Anvilgarth", "home", "Anvilgarth Wynd", "Melrose", "A 8"),
    ("Cragheugh Quarry Office", "works", "Cragheugh Road", "Belford", "B 30"),
    ("Gorseknowe Nurseries", "farm", "Gorseknowe Field Road", "Alnwick", "B 15"),
    ("Powrigg Cold Stores", "works", "Powrigg Quay", "Eyemouth", "C 200, C 120"),
    ("Skerrside Fish Smokers", "works", "5 Skerrside", "Amble", "B 45"),
    ("Captain Lisleby", "home", "Gannetrigg House", "Seahouses", "A 12"),
    ("Corbyhaw Farm", "farm", "Corbyhaw Bank", "Corbridge", "B 30, B 15"),
    ("Tarnelea Dental Rooms", "clinic", "17 Tarnelea Garth", "Hexham", "A 20"),
    ("Hob's Kiln Bakery", "shop", "Hob's Kiln", "Corbridge", "B 30"),
    ("Mrs Ainstruther", "home", "Laverockhirst", "Haltwhistle", "A 8"),
    ("Kilnerigg Sawmill", "works", "Kilnerigg", "Bellingham", "C 80"),
    ("Rowanskerry Outdoor Centre", "works", "Rowanskerry Loop", "Otterburn", "B 45"),
    ("Merrowlea Care Home", "care", "22 Merrowlea Lonnen", "Rothbury", "C 80"),
    ("Wetherfoot Farm Shop", "shop", "Wetherfoot Brae", "Wooler", "A 17"),
    ("Professor Dunholt", "home", "The Steading, Whinnylea Rigg", "Wooler", "A 8"),
    ("Wandelhaw Boat Stores", "works", "Wandelhaw Yard", "Morpeth", "B 15"),
    ("Harkenburn Surgery", "clinic", "90 Harkenburn Lonnen", "Morpeth", "B 45"),
    ("Fernicleugh Poultry", "farm", "Fernicleugh", "Kelso", "C 80, B 30, B 15"),
    ("Twistlehirst House", "home", "Twistlehirst Drive", "Coldstream", "A 12"),
    ("Lintel Brig Garage", "shop", "Lintel Brig", "Coldstream", "A 17"),
    ("Brackenadder Farm", "farm", "Brackenadder Rise", "Duns", "B 30"),
    ("Caldwhin Mast", "works", "Caldwhin Knowe", "Duns", "B 15"),
    ("Quincegarth Care Home", "care", "4 Quincegarth Wynd", "Jedburgh", "C 120"),
    ("Loudenhope Stud", "farm", "Loudenhope Loan", "Lauder", "B 15"),
    ("Heddlewick Loom Studios", "works", "Heddlewick Row", "Galashiels", "B 30"),
    ("Ellerdonside Clinic", "clinic", "33 Ellerdonside Loan", "Melrose", "B 45"),
    ("Mr Pringell", "home", "Kestrelgarth", "Melrose", "A 6"),
    ("Souterbank Leather", "works", "Souterbank", "Selkirk", "B 30"),
    ("Yarrelfoot Trout", "farm", "Yarrelfoot", "Selkirk", "B 45, B 15"),
    ("Tavitlaw Woollens", "works", "Tavitlaw Row", "Hawick", "C 120"),
    ("Slatterig Stores", "shop", "7 Slatterig Brae", "Hawick", "A 12"),
    ("Mrs Veitchley", "home", "Veitchley Villa", "Peebles", "A 12"),
    ("Vennelaw Practice", "clinic", "12 Vennelaw Rise", "Peebles", "A 20"),
    ("Haafnet Cottage", "home", "Haafnet Rigg", "Berwick-upon-Tweed", "A 8"),
    ("Spindle Ness Ices", "shop", "Spindle Ness", "Berwick-upon-Tweed", "A 17"),
)
MOST_SETS = sum(len(site[4].split(",")) for site in _SITES)
PEOPLE = (
    "Ros Elwick",
    "Tam Hedlow",
    "Isla Corby",
    "Ned Farnley",
    "Una Swinhoe",
    "Col Trotwell",
    "Bea Ottercops",
    "Rab Linhope",
    "Meg Shotton",
    "Jock Fenwith",
)
TECHNICIANS = ("A. Thirl", "B. Routledge-Wynn", "C. Mossop-Lee")
LIFE = ("clinic", "care", "pumping")


@dataclass(frozen=True)
class Place:
    """One set at its place. n counts sets, site_n counts sites, from 0."""

    n: int
    site_n: int
    unit: str
    device: str
    customer: str
    kind: str
    site: str
    street: str
    town: str
    lat: float
    lon: float
    area: str
    group: str
    model: Model
    contact: str
    phone: str
    technician: str

    @property
    def criticality(self) -> str:
        return "home" if self.kind == "home" else "life" if self.kind in LIFE else "business"


def slug(text: str) -> str:
    """Text as a legal id: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower().replace("'", "")).strip("-")


def places(count: int) -> tuple[Place, ...]:
    """The first `count` sets of the fleet; at most MOST_SETS."""
    if not 1 <= count <= MOST_SETS:
        raise ValueError(f"The invented fleet has 1 to {MOST_SETS} sets; {count} were asked for.")
    found: list[Place] = []
    for site_n, (customer, kind, street, town, models) in enumerate(_SITES):
        for i, code in enumerate(models.split(", ")):
            found.append(_place(len(found), site_n, i, (customer, kind, street, town), code))
    return tuple(found[:count])


def _place(n: int, site_n: int, i: int, who: tuple[str, str, str, str], code: str) -> Place:
    customer, kind, street, town = who
    lat, lon, area = TOWNS[town]
    return Place(
        n=n,
        site_n=site_n,
        unit=f"{slug(customer)}-{i + 1}",
        device=f"board-{1001 + 7 * n}",
        customer=customer,
        kind=kind,
        site=f"{customer}, {town}",
        street=street,
        town=town,
        lat=round(lat + 0.004 * (site_n * 5 % 9 - 4), 4),
        lon=round(lon + 0.006 * (site_n * 7 % 9 - 4), 4),
        area=area,
        group=slug(area),
        model=MODELS[f"Set {code}"],
        contact=PEOPLE[site_n % len(PEOPLE)],
        phone=f"01632 960{100 + site_n:03d}",
        technician=TECHNICIANS[AREAS.index(area) % len(TECHNICIANS)],
    )
