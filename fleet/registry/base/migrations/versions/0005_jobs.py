"""Jobs, technicians and rounds."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('feed_event',
    sa.Column('uid', sa.Text(), nullable=False),
    sa.Column('technician', sa.Text(), nullable=False),
    sa.Column('sequence', sa.Integer(), nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('changed_at', sa.BigInteger(), nullable=False),
    sa.Column('cancelled', sa.Boolean(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('uid', name=op.f('pk_feed_event'))
    )
    op.create_index(op.f('ix_feed_event_technician'), 'feed_event', ['technician'], unique=False)
    op.create_table('round_ask',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('by', sa.Text(), nullable=False),
    sa.Column('state', sa.Text(), nullable=False),
    sa.Column('said', sa.Text(), nullable=False),
    sa.Column('changed_at', sa.BigInteger(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_round_ask')),
    sqlite_autoincrement=True
    )
    op.create_index(op.f('ix_round_ask_state'), 'round_ask', ['state'], unique=False)
    op.create_table('round_plan',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('published', sa.Boolean(), nullable=False),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.Column('made_by', sa.Text(), nullable=False),
    sa.Column('fingerprint', sa.Text(), nullable=False),
    sa.Column('note', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_round_plan')),
    sqlite_autoincrement=True
    )
    op.create_index(op.f('ix_round_plan_published'), 'round_plan', ['published'], unique=False)
    op.create_table('contract',
    sa.Column('customer', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['customer'], ['customer.id'], name=op.f('fk_contract_customer')),
    sa.PrimaryKeyConstraint('customer', name=op.f('pk_contract'))
    )
    op.create_table('technician',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('person', sa.Text(), nullable=True),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_technician_person')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_technician')),
    sa.UniqueConstraint('person', name=op.f('uq_technician_person'))
    )
    op.create_table('feed',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('technician', sa.Text(), nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.Column('made_by', sa.Text(), nullable=False),
    sa.Column('revoked_at', sa.BigInteger(), nullable=True),
    sa.ForeignKeyConstraint(['technician'], ['technician.id'], name=op.f('fk_feed_technician')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_feed')),
    sa.UniqueConstraint('digest', name=op.f('uq_feed_digest'))
    )
    op.create_index(op.f('ix_feed_technician'), 'feed', ['technician'], unique=False)
    op.create_table('site_card',
    sa.Column('site', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.Column('codes', sa.LargeBinary(), nullable=True),
    sa.Column('changed_at', sa.BigInteger(), nullable=False),
    sa.ForeignKeyConstraint(['site'], ['site.id'], name=op.f('fk_site_card_site')),
    sa.PrimaryKeyConstraint('site', name=op.f('pk_site_card'))
    )
    op.create_table('job',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('customer', sa.Text(), nullable=True),
    sa.Column('site', sa.Text(), nullable=True),
    sa.Column('unit', sa.Text(), nullable=True),
    sa.Column('origin', sa.Text(), nullable=True),
    sa.Column('state', sa.Text(), nullable=False),
    sa.Column('opened_at', sa.BigInteger(), nullable=False),
    sa.Column('changed_at', sa.BigInteger(), nullable=False),
    sa.Column('n', sa.Integer(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['customer'], ['customer.id'], name=op.f('fk_job_customer')),
    sa.ForeignKeyConstraint(['site'], ['site.id'], name=op.f('fk_job_site')),
    sa.ForeignKeyConstraint(['unit'], ['unit.id'], name=op.f('fk_job_unit')),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_job'))
    )
    op.create_index(op.f('ix_job_customer'), 'job', ['customer'], unique=False)
    op.create_index(op.f('ix_job_site'), 'job', ['site'], unique=False)
    op.create_index(op.f('ix_job_state'), 'job', ['state'], unique=False)
    op.create_index(op.f('ix_job_unit'), 'job', ['unit'], unique=False)
    op.create_index('ux_job_origin', 'job', ['origin'], unique=True, sqlite_where=sa.text('origin IS NOT NULL'), postgresql_where=sa.text('origin IS NOT NULL'))
    op.create_table('job_step',
    sa.Column('job', sa.Text(), nullable=False),
    sa.Column('n', sa.Integer(), nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('doc', sa.LargeBinary(), nullable=False),
    sa.ForeignKeyConstraint(['job'], ['job.id'], name=op.f('fk_job_step_job')),
    sa.PrimaryKeyConstraint('job', 'n', name=op.f('pk_job_step'))
    )


def downgrade() -> None:
    op.drop_table('job_step')
    op.drop_index('ux_job_origin', table_name='job', sqlite_where=sa.text('origin IS NOT NULL'), postgresql_where=sa.text('origin IS NOT NULL'))
    op.drop_index(op.f('ix_job_unit'), table_name='job')
    op.drop_index(op.f('ix_job_state'), table_name='job')
    op.drop_index(op.f('ix_job_site'), table_name='job')
    op.drop_index(op.f('ix_job_customer'), table_name='job')
    op.drop_table('job')
    op.drop_table('site_card')
    op.drop_index(op.f('ix_feed_technician'), table_name='feed')
    op.drop_table('feed')
    op.drop_table('technician')
    op.drop_table('contract')
    op.drop_index(op.f('ix_round_plan_published'), table_name='round_plan')
    op.drop_table('round_plan')
    op.drop_index(op.f('ix_round_ask_state'), table_name='round_ask')
    op.drop_table('round_ask')
    op.drop_index(op.f('ix_feed_event_technician'), table_name='feed_event')
    op.drop_table('feed_event')
