"""The book of the house: every citation leads to a heading, every rule says what it gives and why.

Citations are read in the source, the tests, the templates and the documents. Docstrings of public
rule functions end with a line "Gives: <unit>. <origin>", whose words DEVELOPERS.md defines; constants
carry their origin beside them.
"""

from __future__ import annotations

import ast
import re
import tokenize
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent
while not (ROOT / "pyproject.toml").exists():
    ROOT = ROOT.parent
BOOK = ROOT / "docs" / "engineering"
PACKAGES = ("hourhand", "fleet", "ingest", "scheduler", "dashboard", "demo_fleet", "tests")
KINDS = (".py", ".html", ".css", ".js", ".typ", ".md", ".mako", ".toml")

CITED = re.compile(r"docs/engineering/([\w-]+\.md)(?:#([\w-]+))?")
LINKED = re.compile(r"\]\((?:docs/)?engineering/([\w-]+\.md)(?:#([\w-]+))?\)")
NOT_SHIPPED = re.compile(
    r"\b(?:ENGINEERING|ARCHITECTURE|EXPERIENCE|INGEST-STORE|UI-STACK|STYLE|FINDINGS|WIRE|ROUNDS)"
    r"(?:\.md\b|(?:, [A-Z][a-z`]|,? \d|'s\b| [A-Z]\b|,? `))"
)
"""A design document by its name, with a chapter behind it. docs/wire.md is shipped, WIRE.md is not."""

CASE = re.compile(r"[Ff]ield cases? ((?:\d+(?:, | and )?)+)")
"""A case from the field by its number; it has a heading on docs/engineering/cases.md."""

JUDGING = (
    *sorted((ROOT / "scheduler" / "rules").rglob("*.py")),
    *sorted((ROOT / "scheduler" / "day").rglob("*.py")),
    *sorted((ROOT / "scheduler" / "outage").rglob("*.py")),
    ROOT / "scheduler" / "readiness.py",
)
"""Where every public function is a rule, or works for one alone."""
ASSESSING = tuple(sorted((ROOT / "scheduler" / "assess").rglob("*.py")))
"""Here too, but for what makes findings of what was judged: findings have their own page."""
WITH_NUMBERS = (*JUDGING, *ASSESSING, ROOT / "fleet" / "defaults.py")
OTHERS = tuple(
    path
    for room in ("dashboard", "fleet", "ingest", "scheduler")
    for path in sorted((ROOT / room).rglob("*.py"))
    if path not in WITH_NUMBERS and not {"bench", "versions"} & set(path.parts)
)
"""Elsewhere a number may also be plainly what it is: no rule, but a bound, a size, a length, a pace.
Benches state their own loads and bounds where they print them."""

UNITS = (
    r"\[(?:V|mV|Hz|V/kW, Hz/kW|%|s|UTC s|UTC day|h|days|months|C|kW|kWh|Ws|L|L/h|km|1|per C|V a day)\]"
    r"|\b(?:yes or no|records?|words?|nothing|dates?|bytes|readings?|values|points)\b"
)
"""A unit in square brackets, [1] for a share or a count; else the word for what has none."""
ORIGIN = re.compile(
    r"Source: \S|[Cc]ommon practice, no source|[Ff]rom memory|\bArithmetic\.|\bDefinition\."
)
PLAINLY = re.compile(
    r"[Aa] bound of (?:ours|a format|another's format)\b|[Aa] size of a (?:buffer|batch)\b"
    r"|[Aa] page's length\b|[Aa] pace of ours\b|\bMeasured\b"
)
"""What a number is that judges nothing: what is taken or kept at most, what is read, written or shown
at once, how often something is done or waited for; or it was chosen by a measurement here."""
GIVES = re.compile(
    r"Gives: (.+?)\. (?=Source: |Common practice, no source|Arithmetic\.|Definition\.)"
)
NUMBERS = re.compile(r"\b(?:int|float|Floats|Ints|NDArray)\b")
SUFFIXED = re.compile(r"_(?:s|h|v|kw|hz|c|pct|share|d|days|day|at|n|l|rpm|km|months|ws|mv)$")
MOMENTS = frozenset({"now", "at", "t", "start", "end", "since", "until", "day", "after"})
"""UTC seconds (`day`: UTC days) wherever they stand, as DEVELOPERS.md says."""


@cache
def anchors(path: Path) -> set[str]:
    """The anchors of a page's headings, as a forge makes them."""
    heads = re.findall(r"^#+ (.+)$", path.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


def texts() -> Iterator[Path]:
    for package in (*PACKAGES, "docs"):
        for path in sorted((ROOT / package).rglob("*")):
            if path.suffix in KINDS and "__pycache__" not in path.parts and path != Path(__file__):
                yield path
    yield ROOT / "README.md"
    yield ROOT / "DEVELOPERS.md"


@cache
def spoken(path: Path) -> str:
    """What a file says to people: of Python its comments and texts, of all else everything."""
    if path.suffix != ".py":
        return path.read_text()
    with path.open("rb") as lines:
        tokens = list(tokenize.tokenize(lines.readline))
    kinds = ("COMMENT", "STRING", "FSTRING_MIDDLE")
    return "\n".join(one.string for one in tokens if tokenize.tok_name[one.type] in kinds)


def wrong_citations(text: str) -> list[str]:
    """Citations of a page or heading that is not there, and of documents that are not shipped."""
    joined = re.sub(r"\n\s*(?:#\s*)?", " ", text)
    found = [match.group() for match in NOT_SHIPPED.finditer(joined)]
    cases = {number for match in CASE.findall(joined) for number in re.findall(r"\d+", match)}
    found += sorted(f"case {n}" for n in cases if f"case-{n}" not in anchors(BOOK / "cases.md"))
    for page, anchor in CITED.findall(text) + LINKED.findall(text):
        path = BOOK / page
        if not path.exists() or (anchor and anchor not in anchors(path)):
            found.append(f"{page}#{anchor}")
    return found


def test_every_citation_leads_to_a_heading() -> None:
    wrong = {str(path.relative_to(ROOT)): wrong_citations(spoken(path)) for path in texts()}
    assert {path: found for path, found in wrong.items() if found} == {}


def test_the_book_is_cited_where_its_reasons_are_needed() -> None:
    cited = {page for path in texts() for page, _ in CITED.findall(spoken(path))}
    rules = {page.name for page in BOOK.glob("*.md")} - {"README.md"}
    assert rules <= cited


@pytest.mark.parametrize(
    "mistake",
    [
        "Below half of nominal (ENGINEERING 2).",
        "Back 2 % of the limit (ENGINEERING, Defaults).",
        "Back 2 % of the limit (ENGINEERING,\n    Defaults).",
        "EXPERIENCE.md says so",
        "three zones (ROUNDS 6)",
        "Field case 999: nobody knows it",
        "Field cases 1, 2 and 999.",
        "see docs/engineering/nowhere.md",
        "see docs/engineering/runs.md#no-such-heading",
    ],
)
def test_a_wrong_citation_is_caught(mistake: str) -> None:
    assert wrong_citations(mistake)


def test_code_is_not_taken_for_a_citation(tmp_path: Path) -> None:
    """A name in capitals is a name; what is said of it may be a citation."""
    file = tmp_path / "rule.py"
    file.write_text('from house import FINDINGS, Kind\n\nROUNDS = 3\n"""FINDINGS 7 says so."""\n')
    assert wrong_citations(spoken(file)) == ["FINDINGS 7"]


def test_every_page_of_the_book_stands_in_its_index() -> None:
    index = (BOOK / "README.md").read_text()
    for page in BOOK.glob("*.md"):
        assert page.name == "README.md" or f"({page.name})" in index, page.name


@pytest.mark.parametrize("page", sorted(BOOK.glob("*.md")), ids=lambda page: page.name)
def test_a_page_of_the_book_names_what_is_there(page: Path) -> None:
    """Its links lead to headings, and files it names are there."""
    text = page.read_text()
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        file, _, anchor = target.partition("#")
        to = (page.parent / file).resolve() if file else page
        assert to.exists(), target
        assert not anchor or anchor in anchors(to), target
    for named in re.findall(r"`((?:fleet|ingest|scheduler|dashboard|tests|docs)/[\w/.]+)`", text):
        assert (ROOT / named).exists(), named


@pytest.mark.parametrize(
    "page", sorted(set(BOOK.glob("*.md")) - {BOOK / "README.md"}), ids=lambda page: page.name
)
def test_a_page_of_the_book_says_what_was_decided(page: Path) -> None:
    text = page.read_text()
    assert "## Decided" in text or page.name == "defaults.md"
    assert re.search(r"[Ss]ource|[Cc]ommon practice|[Mm]easured|[Ww]ords are|Code: ", text)


def functions(path: Path) -> Iterator[ast.FunctionDef]:
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node


def untold(rule: ast.FunctionDef) -> list[str]:
    """What the docstring of a rule leaves out."""
    doc = " ".join((ast.get_docstring(rule) or "").split())
    given = GIVES.search(doc)
    if given is None:
        return ['no line "Gives: <unit>. <origin>"']
    wrong = [] if re.search(UNITS, given.group(1)) else [f"no unit in {given.group(1)!r}"]
    if len(doc[: given.start()].split()) < 4:
        wrong.append("no procedure or equation")
    for argument in (*rule.args.posonlyargs, *rule.args.args, *rule.args.kwonlyargs):
        kind = ast.unparse(argument.annotation) if argument.annotation else ""
        named = argument.arg in MOMENTS or SUFFIXED.search(argument.arg)
        if NUMBERS.search(kind) and not named and not re.search(rf"\b{argument.arg}\b", doc):
            wrong.append(f"no word of {argument.arg}")
    return wrong


RULES = [
    pytest.param(rule, id=f"{path.relative_to(ROOT)}:{rule.name}")
    for path in (*JUDGING, *ASSESSING)
    for rule in functions(path)
    if path in JUDGING or "Finding" not in ast.unparse(rule.returns or ast.Constant(None))
]


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_says_what_it_gives_and_where_it_is_from(rule: ast.FunctionDef) -> None:
    assert untold(rule) == []


TOLD = (
    'def rule(volts: float) -> float: """Twice the volts that were read. Gives: [V]. Arithmetic."""'
)


@pytest.mark.parametrize(
    "mistake",
    [
        "def rule(volts: float) -> float: ...",
        TOLD.replace(" Gives: [V]. Arithmetic.", ""),
        TOLD.replace(" Arithmetic.", " As the trade has it."),
        TOLD.replace("[V]", "it"),
        TOLD.replace("(volts", "(x"),
        TOLD.replace("Twice the volts that were read. ", "volts. "),
    ],
)
def test_a_rule_that_leaves_something_out_is_caught(mistake: str) -> None:
    for source, whole in ((mistake, False), (TOLD, True)):
        rule = ast.parse(source).body[0]
        assert isinstance(rule, ast.FunctionDef)
        assert (untold(rule) == []) == whole


def is_number(value: ast.expr) -> bool:
    """Whether it is nothing but numbers: one, an expression of them, or a row or table of them."""
    if isinstance(value, ast.Dict):
        return all(is_number(one) for one in value.values)
    parts = [part for part in ast.walk(value) if isinstance(part, ast.expr)]
    plain = (ast.Constant, ast.UnaryOp, ast.BinOp, ast.Name, ast.Attribute, ast.Tuple)
    numbers = [type(one.value) in (int, float) for one in parts if isinstance(one, ast.Constant)]
    return all(isinstance(part, plain) for part in parts) and bool(numbers) and all(numbers)


def constants(source: str, only_numbers: bool = False) -> Iterator[tuple[str, str]]:
    """(name, what stands beside it) of each number at module level; a group shares the last words."""
    body = ast.parse(source).body
    for place, node in enumerate(body):
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        name = ast.unparse(target)
        numbers = [
            one
            for one in ast.walk(node.value)
            if isinstance(one, ast.Constant) and type(one.value) in (int, float)
        ]
        if not numbers or name.startswith(("_", "(_")):
            continue
        if only_numbers and not is_number(node.value):
            continue
        said, last = "", node
        for after in body[place + 1 :]:
            if after.lineno != (last.end_lineno or 0) + 1:
                break
            if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
                said = " ".join(str(after.value.value).split())
                break
            if not isinstance(after, ast.Assign | ast.AnnAssign):
                break
            last = after
        yield name, said


NUMBERED = [
    pytest.param(said, id=f"{path.relative_to(ROOT)}:{name}")
    for path in WITH_NUMBERS
    for name, said in constants(path.read_text())
]


@pytest.mark.parametrize("said", NUMBERED)
def test_every_number_carries_its_origin(said: str) -> None:
    assert ORIGIN.search(said), said or "nothing stands beside it"


def unexplained(source: str) -> list[str]:
    """Numbers outside the rules that say neither their origin nor plainly what they are."""
    return [
        name
        for name, said in constants(source, only_numbers=True)
        if not ORIGIN.search(said) and not PLAINLY.search(said)
    ]


def test_every_other_number_says_what_it_is() -> None:
    found = {str(path.relative_to(ROOT)): unexplained(path.read_text()) for path in OTHERS}
    assert {path: names for path, names in found.items() if names} == {}
    told = sum(len([*constants(path.read_text(), only_numbers=True)]) for path in OTHERS)
    assert told > 200, "the walk sees the numbers"


@pytest.mark.parametrize(
    ("source", "names"),
    [
        ("ROWS = 40\n", ["ROWS"]),
        ('ROWS = 40\n"""Rows."""\n', ["ROWS"]),
        ('ROWS = 40\n"""Rows of a table. A page\'s length."""\n', []),
        ('FIRST_S, MOST_S = 1.0, 60.0\n"""Pauses. A pace of ours."""\n', []),
        ("RANKS = {'a': 1}\n", ["RANKS"]),
        ("SPAN_S = 4 * HOUR_S\n", ["SPAN_S"]),
        ("ROUTES = router(500)\n", []),
    ],
)
def test_a_number_that_says_nothing_is_seen(source: str, names: list[str]) -> None:
    assert unexplained(source) == names


@pytest.mark.parametrize(
    "mistake",
    [
        "LIMIT_V = 13.0\n",
        'LIMIT_V = 13.0\n"""Under this it is not charged."""\n',
        'LIMIT_V = 13.0\n\nOTHER_V = 2.0\n"""Common practice, no source."""\n',
    ],
)
def test_a_number_without_an_origin_is_caught(mistake: str) -> None:
    assert not ORIGIN.search(dict(constants(mistake))["LIMIT_V"])


def test_a_group_of_numbers_shares_what_stands_under_it() -> None:
    source = 'A_S = 1\nB_S = 2\n"""Common practice, no source."""\n'
    assert dict(constants(source)) == dict.fromkeys(("A_S", "B_S"), "Common practice, no source.")


GLOSSARY = ROOT / "docs" / "glossary.md"
HOUSE_WORDS = (
    "carry",
    "cover",
    "demand",
    "episode",
    "epoch",
    "fingerprint",
    "fitting",
    "habit",
    "held",
    "knot",
    "ledger",
    "mark",
    "outbox",
    "own line",
    "pin",
    "proof",
    "pulse",
    "quarantine",
    "quiet",
    "scope",
    "seat",
    "segment",
    "spell",
    "touch",
    "turn",
    "unsure",
    "worth",
)
"""Names that a stranger cannot guess. One that goes from the code goes from here and the glossary."""


def headwords() -> list[str]:
    return re.findall(r"^\| `([\w ]+)` \|", GLOSSARY.read_text(), re.MULTILINE)


@pytest.fixture(scope="module")
def names() -> set[tuple[str, ...]]:
    """Every name of the code as its words: functions, classes, fields, arguments, modules."""
    found: set[str] = set()
    for package in ("hourhand", "fleet", "ingest", "scheduler", "dashboard"):
        for path in (ROOT / package).rglob("*.py"):
            found |= {path.stem, path.parent.name}
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.FunctionDef | ast.ClassDef):
                    found.add(node.name)
                elif isinstance(node, ast.arg):
                    found.add(node.arg)
                elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
                    found.add(node.id)
    split = (re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower().split("_") for name in found)
    return {tuple(words) for words in split}


def is_a_name(word: str, names: set[tuple[str, ...]]) -> bool:
    """Whether the words stand side by side in a name, alone or as a plural."""
    wanted = word.split()
    for own in names:
        for at in range(len(own) - len(wanted) + 1):
            here = own[at : at + len(wanted)]
            if here[:-1] == tuple(wanted[:-1]) and here[-1] in (
                wanted[-1],
                f"{wanted[-1]}s",
                f"{wanted[-1]}es",
            ):
                return True
    return False


def test_every_word_of_the_glossary_is_a_name_of_the_code(names: set[tuple[str, ...]]) -> None:
    assert [word for word in headwords() if not is_a_name(word, names)] == []
    assert not is_a_name("flibbertigibbet", names)


def test_every_word_of_the_house_is_in_the_glossary(names: set[tuple[str, ...]]) -> None:
    assert [word for word in HOUSE_WORDS if word not in headwords()] == []
    assert [word for word in HOUSE_WORDS if not is_a_name(word, names)] == []


def test_the_glossary_is_in_order_and_says_each_word_once() -> None:
    assert headwords() == sorted(set(headwords()))
