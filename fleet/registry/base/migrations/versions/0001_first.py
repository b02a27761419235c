"""The first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('change',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('customer', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_change')),
    sqlite_autoincrement=True
    )
    op.create_table('counter',
    sa.Column('name', sa.Text(), nullable=False),
    sa.Column('n', sa.BigInteger(), nullable=False),
    sa.PrimaryKeyConstraint('name', name=op.f('pk_counter'))
    )
    op.create_table('customer',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('name', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_customer'))
    )
    op.create_table('device',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('grp', sa.Text(), nullable=False),
    sa.Column('registered', sa.Boolean(), nullable=False),
    sa.Column('profile', sa.Text(), nullable=False),
    sa.Column('first_at', sa.BigInteger(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_device'))
    )
    op.create_index(op.f('ix_device_registered'), 'device', ['registered'], unique=False)
    op.create_table('device_event',
    sa.Column('device', sa.Text(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('event', sa.Text(), nullable=False),
    sa.Column('channel', sa.Text(), nullable=False),
    sa.Column('received_at', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('device', 'at', 'event', 'channel', name=op.f('pk_device_event'))
    )
    op.create_table('episode',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('subject', sa.Text(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('part', sa.Text(), nullable=False),
    sa.Column('customer', sa.Text(), nullable=True),
    sa.Column('severity', sa.Text(), nullable=False),
    sa.Column('opened_at', sa.BigInteger(), nullable=False),
    sa.Column('closed_at', sa.BigInteger(), nullable=True),
    sa.Column('acknowledged_at', sa.BigInteger(), nullable=True),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_episode'))
    )
    op.create_index(op.f('ix_episode_customer'), 'episode', ['customer'], unique=False)
    op.create_index(op.f('ix_episode_opened_at'), 'episode', ['opened_at'], unique=False)
    op.create_index('ix_episode_subject_opened_at', 'episode', ['subject', 'opened_at'], unique=False)
    op.create_index('ux_episode_open', 'episode', ['subject', 'kind', 'part'], unique=True, sqlite_where=sa.text('closed_at IS NULL'), postgresql_where=sa.text('closed_at IS NULL'))
    op.create_table('heartbeat',
    sa.Column('program', sa.Text(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('program', name=op.f('pk_heartbeat'))
    )
    op.create_table('inbox',
    sa.Column('file', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('file', name=op.f('pk_inbox'))
    )
    op.create_table('plan',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_plan'))
    )
    op.create_table('pulse',
    sa.Column('device', sa.Text(), nullable=False),
    sa.Column('heard_at', sa.BigInteger(), nullable=True),
    sa.Column('newest_at', sa.BigInteger(), nullable=True),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('device', name=op.f('pk_pulse'))
    )
    op.create_index(op.f('ix_pulse_heard_at'), 'pulse', ['heard_at'], unique=False)
    op.create_table('quarantine',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('device', sa.Text(), nullable=False),
    sa.Column('day', sa.Integer(), nullable=False),
    sa.Column('received_at', sa.BigInteger(), nullable=False),
    sa.Column('topic', sa.Text(), nullable=False),
    sa.Column('reason', sa.Text(), nullable=False),
    sa.Column('ours', sa.Boolean(), nullable=False),
    sa.Column('size', sa.Integer(), nullable=False),
    sa.Column('payload', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_quarantine')),
    sa.UniqueConstraint('digest', name=op.f('uq_quarantine_digest')),
    sqlite_autoincrement=True
    )
    op.create_index('ix_quarantine_device_id', 'quarantine', ['device', 'id'], unique=False)
    op.create_index(op.f('ix_quarantine_received_at'), 'quarantine', ['received_at'], unique=False)
    op.create_table('quarantine_count',
    sa.Column('device', sa.Text(), nullable=False),
    sa.Column('day', sa.Integer(), nullable=False),
    sa.Column('kept', sa.Integer(), nullable=False),
    sa.Column('over', sa.Integer(), nullable=False),
    sa.PrimaryKeyConstraint('device', 'day', name=op.f('pk_quarantine_count'))
    )
    op.create_table('receipt',
    sa.Column('key', sa.Text(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.PrimaryKeyConstraint('key', name=op.f('pk_receipt'))
    )
    op.create_index(op.f('ix_receipt_at'), 'receipt', ['at'], unique=False)
    op.create_table('touch',
    sa.Column('whose', sa.Text(), nullable=False),
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('day', sa.Integer(), nullable=False),
    sa.Column('onward', sa.Integer(), nullable=False),
    sa.Column('priority', sa.Integer(), nullable=False),
    sa.Column('since', sa.BigInteger(), nullable=False),
    sa.Column('seq', sa.BigInteger(), nullable=False),
    sa.PrimaryKeyConstraint('whose', 'id', 'day', name=op.f('pk_touch'))
    )
    op.create_table('site',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('customer', sa.Text(), nullable=False),
    sa.Column('zone', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['customer'], ['customer.id'], name=op.f('fk_site_customer')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_site'))
    )
    op.create_index(op.f('ix_site_customer'), 'site', ['customer'], unique=False)
    op.create_table('step',
    sa.Column('episode', sa.Text(), nullable=False),
    sa.Column('n', sa.Integer(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['episode'], ['episode.id'], name=op.f('fk_step_episode')),
    sa.PrimaryKeyConstraint('episode', 'n', name=op.f('pk_step'))
    )
    op.create_table('unit',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('customer', sa.Text(), nullable=False),
    sa.Column('site', sa.Text(), nullable=False),
    sa.Column('area', sa.Text(), nullable=False),
    sa.Column('plan', sa.Text(), nullable=False),
    sa.Column('words', sa.Text(), nullable=False),
    sa.Column('facts_seq', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['customer'], ['customer.id'], name=op.f('fk_unit_customer')),
    sa.ForeignKeyConstraint(['site'], ['site.id'], name=op.f('fk_unit_site')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_unit'))
    )
    op.create_index(op.f('ix_unit_customer'), 'unit', ['customer'], unique=False)
    op.create_index(op.f('ix_unit_plan'), 'unit', ['plan'], unique=False)
    op.create_index(op.f('ix_unit_site'), 'unit', ['site'], unique=False)
    op.create_table('assessment',
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('look_again_at', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_assessment_unit')),
    sa.PrimaryKeyConstraint('unit', name=op.f('pk_assessment'))
    )
    op.create_index(op.f('ix_assessment_look_again_at'), 'assessment', ['look_again_at'], unique=False)
    op.create_table('claim',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('device', sa.Text(), nullable=False),
    sa.Column('from_at', sa.BigInteger(), nullable=True),
    sa.Column('said_at', sa.BigInteger(), nullable=False),
    sa.Column('said_by', sa.Text(), nullable=False),
    sa.ForeignKeyConstraint(['device'], ['device.id'], name=op.f('fk_claim_device')),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_claim_unit')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_claim'))
    )
    op.create_index(op.f('ix_claim_device'), 'claim', ['device'], unique=False)
    op.create_index(op.f('ix_claim_unit'), 'claim', ['unit'], unique=False)
    op.create_table('day',
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('day', sa.Integer(), nullable=False),
    sa.Column('fingerprint', sa.Text(), nullable=False),
    sa.Column('carry_in', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_day_unit')),
    sa.PrimaryKeyConstraint('unit', 'day', name=op.f('pk_day'))
    )
    op.create_table('due',
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('task', sa.Text(), nullable=False),
    sa.Column('state', sa.Text(), nullable=False),
    sa.Column('on_date', sa.Text(), nullable=True),
    sa.Column('share', sa.Float(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_due_unit')),
    sa.PrimaryKeyConstraint('unit', 'task', name=op.f('pk_due'))
    )
    op.create_index(op.f('ix_due_state'), 'due', ['state'], unique=False)
    op.create_table('fitting',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('device', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('from_at', sa.BigInteger(), nullable=True),
    sa.Column('to_at', sa.BigInteger(), nullable=True),
    sa.Column('said_by', sa.Text(), nullable=False),
    sa.ForeignKeyConstraint(['device'], ['device.id'], name=op.f('fk_fitting_device')),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_fitting_unit')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_fitting'))
    )
    op.create_index(op.f('ix_fitting_device'), 'fitting', ['device'], unique=False)
    op.create_index(op.f('ix_fitting_unit'), 'fitting', ['unit'], unique=False)
    op.create_table('record',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('corrects', sa.Text(), nullable=True),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['corrects'], ['record.id'], name=op.f('fk_record_corrects')),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_record_unit')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_record')),
    sa.UniqueConstraint('corrects', name=op.f('uq_record_corrects'))
    )
    op.create_index('ix_record_unit_at', 'record', ['unit', 'at'], unique=False)
    op.create_table('summary',
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('condition', sa.Text(), nullable=False),
    sa.Column('severity', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_summary_unit')),
    sa.PrimaryKeyConstraint('unit', name=op.f('pk_summary'))
    )
    op.create_table('calibration',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('unit', sa.Text(), nullable=False),
    sa.Column('fitting', sa.Text(), nullable=True),
    sa.Column('channel', sa.Text(), nullable=False),
    sa.Column('gain', sa.Float(), nullable=False),
    sa.Column('zero', sa.Float(), nullable=False),
    sa.Column('from_at', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['id'], ['record.id'], name=op.f('fk_calibration_id')),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_calibration_unit')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_calibration'))
    )
    op.create_index(op.f('ix_calibration_fitting'), 'calibration', ['fitting'], unique=False)
    op.create_index(op.f('ix_calibration_unit'), 'calibration', ['unit'], unique=False)


def downgrade() -> None:
    op.drop_table("calibration")
    op.drop_table("summary")
    op.drop_table("record")
    op.drop_table("fitting")
    op.drop_table("due")
    op.drop_table("day")
    op.drop_table("claim")
    op.drop_table("assessment")
    op.drop_table("unit")
    op.drop_table("step")
    op.drop_table("site")
    op.drop_table("touch")
    op.drop_table("receipt")
    op.drop_table("quarantine_count")
    op.drop_table("quarantine")
    op.drop_table("pulse")
    op.drop_table("plan")
    op.drop_table("inbox")
    op.drop_table("heartbeat")
    op.drop_table("episode")
    op.drop_table("device_event")
    op.drop_table("device")
    op.drop_table("customer")
    op.drop_table("counter")
    op.drop_table("change")
