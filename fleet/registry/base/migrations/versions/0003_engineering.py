"""What the engineering of part 4 keeps: readiness beside the summary, phone numbers to search by."""

from __future__ import annotations

import re

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

PHONE = re.compile(r"[+0-9 ()./-]{6,}")


def upgrade() -> None:
    for name in ("readiness", "ready_why"):
        op.add_column("summary", sa.Column(name, sa.Text(), server_default="", nullable=False))
    op.create_index("ix_summary_readiness", "summary", ["readiness"], unique=False)
    unit = sa.table("unit", sa.column("id", sa.Text), sa.column("words", sa.Text))
    bind = op.get_bind()
    for row in bind.execute(sa.select(unit)).all():
        lines = row.words.split("\n")
        plain = ["".join(filter(str.isdigit, x)) for x in lines if PHONE.fullmatch(x)]
        more = [digits for digits in plain if digits not in lines]
        if more:
            words = "\n".join([*lines, *more])
            bind.execute(sa.update(unit).where(unit.c.id == row.id).values(words=words))


def downgrade() -> None:
    op.drop_index("ix_summary_readiness", table_name="summary")
    for name in ("ready_why", "readiness"):
        op.drop_column("summary", name)
