"""Alerts and notices."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _outages()
    _what_people_said()
    _outbox()


def _outages() -> None:
    op.create_table('outage',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('began_at', sa.BigInteger(), nullable=False),
    sa.Column('ended_at', sa.BigInteger(), nullable=True),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['id'], ['episode.id'], name=op.f('fk_outage_id')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_outage'))
    )
    op.create_index(op.f('ix_outage_began_at'), 'outage', ['began_at'], unique=False)
    op.create_index(op.f('ix_outage_ended_at'), 'outage', ['ended_at'], unique=False)
    op.create_table('outage_member',
    sa.Column('outage', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('customer', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['outage'], ['outage.id'], name=op.f('fk_outage_member_outage')),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_outage_member_unit')),
    sa.PrimaryKeyConstraint('outage', 'unit', name=op.f('pk_outage_member'))
    )
    op.create_index(op.f('ix_outage_member_unit'), 'outage_member', ['unit'], unique=False)


def _what_people_said() -> None:
    op.create_table('call',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('episode', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=True),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['episode'], ['episode.id'], name=op.f('fk_call_episode')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_call'))
    )
    op.create_index('ix_call_episode_at', 'call', ['episode', 'at'], unique=False)
    op.create_table('mark',
    sa.Column('episode', sa.Text(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['episode'], ['episode.id'], name=op.f('fk_mark_episode')),
    sa.PrimaryKeyConstraint('episode', name=op.f('pk_mark'))
    )
    op.create_index(op.f('ix_mark_at'), 'mark', ['at'], unique=False)
    op.create_table('agreed',
    sa.Column('name', sa.Text(), nullable=False),
    sa.Column('n', sa.Integer(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('said_by', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('name', 'n', name=op.f('pk_agreed'))
    )


def _outbox() -> None:
    op.create_table('notice',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('cause', sa.Text(), nullable=False),
    sa.Column('person', sa.Text(), nullable=False),
    sa.Column('way', sa.Text(), nullable=False),
    sa.Column('state', sa.Text(), nullable=False),
    sa.Column('not_before', sa.BigInteger(), nullable=False),
    sa.Column('again_at', sa.BigInteger(), nullable=True),
    sa.Column('tries', sa.Integer(), server_default='0', nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_notice'))
    )
    op.create_index('ix_notice_state_again_at', 'notice', ['state', 'again_at'], unique=False)
    op.create_table('target',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('person', sa.Text(), nullable=False),
    sa.Column('way', sa.Text(), nullable=False),
    sa.Column('shown', sa.Text(), nullable=False),
    sa.Column('sealed', sa.LargeBinary(), nullable=False),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.Column('made_by', sa.Text(), nullable=False),
    sa.Column('removed_at', sa.BigInteger(), nullable=True),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_target_person')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_target'))
    )
    op.create_index(op.f('ix_target_person'), 'target', ['person'], unique=False)
    op.create_table('delivery',
    sa.Column('notice', sa.Text(), nullable=False),
    sa.Column('n', sa.Integer(), nullable=False),
    sa.Column('target', sa.Text(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('outcome', sa.Text(), nullable=False),
    sa.Column('detail', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('notice', 'n', name=op.f('pk_delivery'))
    )
    op.create_index(op.f('ix_delivery_target'), 'delivery', ['target'], unique=False)
    op.create_index(op.f('ix_delivery_at'), 'delivery', ['at'], unique=False)
    op.create_index(op.f('ix_notice_cause'), 'notice', ['cause'], unique=False)
    op.create_index('ix_notice_state_not_before', 'notice', ['state', 'not_before'], unique=False)


def downgrade() -> None:
    for table in ("delivery", "target", "notice", "agreed", "mark", "call", "outage_member", "outage"):
        op.drop_table(table)
