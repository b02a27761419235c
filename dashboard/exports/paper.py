"""The day sheet as a tagged PDF (PDF/UA-1), made by typst with a packaged font.

Data goes in as JSON through the inputs and is shown as text: nothing of it is ever markup.
"""

from __future__ import annotations

import json
from importlib.resources import as_file, files
from typing import Any

import fontpkg_noto_sans
import typst

FONTS = fontpkg_noto_sans.ROOT / "files"


class PaperFault(Exception):
    """A paper could not be made. Says why."""


def day_sheet(data: dict[str, Any]) -> bytes:
    """The PDF of one technician's day; data: the keys that `day_sheet.typ` names, all text.

    Raises PaperFault where the compiler refuses or warns (a missing font is a warning).
    """
    with as_file(files("dashboard").joinpath("exports", "day_sheet.typ")) as source:
        try:
            made, warnings = typst.compile_with_warnings(
                str(source),
                font_paths=[str(FONTS)],
                ignore_system_fonts=True,
                sys_inputs={"data": json.dumps(data)},
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
