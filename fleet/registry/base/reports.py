"""What an import did, row by row."""

from __future__ import annotations

import msgspec


class RowProblem(msgspec.Struct, frozen=True, kw_only=True):
    """What is wrong with one row of an import. row: 1 = first row after the heading."""

    row: int
    column: str
    value: str
    message: str

    def __str__(self) -> str:
        where = f"row {self.row}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.message}"


class RowChange(msgspec.Struct, frozen=True, kw_only=True):
    """What one row of an import did. columns: those that changed; none where it is new."""

    row: int
    id: str
    new: bool = False
    columns: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"row {self.row}, {self.id}: " + ("new" if self.new else ", ".join(self.columns))


class ImportReport(msgspec.Struct, frozen=True, kw_only=True):
    """What an import did. Nothing was written where problems stand and `partial` was not asked.

    added, changed, unchanged: sets, plans, technicians or records; refused: rows, however many
    cells of each are wrong. changes: row by row, where the importer knows.
    """

    rows: int
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    refused: int = 0
    problems: tuple[RowProblem, ...] = ()
    notes: tuple[str, ...] = ()
    written: bool = True
    changes: tuple[RowChange, ...] = ()

    @property
    def ok(self) -> bool:
        """True when every row was taken."""
        return not self.problems
