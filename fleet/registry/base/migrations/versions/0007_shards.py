"""Sixty-four shards of units instead of one mark of the days of all."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

SHARDS = 64


def upgrade() -> None:
    made = op.create_table(
        "shard",
        sa.Column("n", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("fence", sa.BigInteger(), nullable=False),
        sa.Column("mark", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("n", name=op.f("pk_shard")),
    )
    mark = op.get_bind().execute(sa.text("SELECT n FROM counter WHERE name = 'days'")).scalar()
    op.bulk_insert(made, [{"n": n, "fence": 0, "mark": mark or 0} for n in range(SHARDS)])
    op.execute("DELETE FROM counter WHERE name = 'days'")


def downgrade() -> None:
    """The one mark is made anew by whoever asks for it first."""
    op.drop_table("shard")
