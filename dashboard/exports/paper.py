"""The day sheet as a tagged PDF (PDF/UA-1), made by typst with a packaged font.

Data goes in as JSON through the inputs and is shown as text: nothing of it is ever markup.
"""

from __future__ import annotations

from importlib.resources import as_file, files

import fontpkg_noto_sans
import msgspec
import typst

FONTS = fontpkg_noto_sans.ROOT / "files"


class PaperFault(Exception):
    """A paper could not be made. Says why."""


class SheetJob(msgspec.Struct, frozen=True, kw_only=True):
    """One piece of work of a visit."""

    unit: str
    work: str
    minutes: str


class SheetStop(msgspec.Struct, frozen=True, kw_only=True):
    """One visit. notes: what its sets say that cannot wait, then what the site card says; phones:
    who and the number, in the order of calling."""

    n: str
    place: str
    address: str
    start: str
    half: str
    way: str
    call_first: bool
    notes: tuple[str, ...]
    phones: tuple[str, ...]
    jobs: tuple[SheetJob, ...]


class DaySheet(msgspec.Struct, frozen=True, kw_only=True):
    """What the sheet of one technician's day says, all of it text; `day_sheet.typ` reads these
    names. made: when it was printed; line: the day in a sentence; parts: (name, amount) to load."""

    title: str
    firm: str
    who: str
    day: str
    made: str
    line: str
    cautions: tuple[str, ...]
    parts: tuple[tuple[str, str], ...]
    stops: tuple[SheetStop, ...]


def day_sheet(data: DaySheet) -> bytes:
    """The PDF of one technician's day.

    Raises PaperFault where the compiler refuses or warns (a missing font is a warning).
    """
    with as_file(files("dashboard").joinpath("exports", "day_sheet.typ")) as source:
        try:
            made, warnings = typst.compile_with_warnings(
                str(source),
                font_paths=[str(FONTS)],
                ignore_system_fonts=True,
                sys_inputs={"data": msgspec.json.encode(data).decode()},
                format="pdf",
                pdf_standards=["ua-1"],
            )
        except typst.TypstError as fault:
            raise PaperFault(f"The paper could not be made: {fault}") from fault
    if warnings:
        raise PaperFault(f"The paper could not be made as it should be: {warnings[0].message}")
    if not isinstance(made, bytes):
        raise PaperFault("The paper could not be made: it came in parts.")
    return made
