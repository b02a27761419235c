"""Readings whose time is not known."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "unsure",
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("after_at", sa.BigInteger(), nullable=True),
        sa.Column("before_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("device", "at", name=op.f("pk_unsure")),
    )
    op.add_column("receipt", sa.Column("seat", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("receipt") as receipt:
        receipt.drop_column("seat")
    op.drop_table("unsure")
