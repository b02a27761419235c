"""People: sign-in, tokens, share links, and what they did."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table('api_token',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('name', sa.Text(), nullable=False),
    sa.Column('rights', sa.Text(), nullable=False),
    sa.Column('customers', sa.LargeBinary(), nullable=True),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.Column('made_by', sa.Text(), nullable=False),
    sa.Column('until', sa.BigInteger(), nullable=True),
    sa.Column('used_at', sa.BigInteger(), nullable=True),
    sa.Column('revoked_at', sa.BigInteger(), nullable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_api_token')),
    sa.UniqueConstraint('digest', name=op.f('uq_api_token_digest'))
    )
    op.create_table('audit',
    sa.Column('id', sa.BigInteger().with_variant(sa.Integer(), 'sqlite'), autoincrement=True, nullable=False),
    sa.Column('at', sa.BigInteger(), nullable=False),
    sa.Column('kind', sa.Text(), nullable=False),
    sa.Column('who', sa.Text(), nullable=False),
    sa.Column('person', sa.Text(), nullable=True),
    sa.Column('address', sa.Text(), nullable=False),
    sa.Column('subject', sa.Text(), nullable=False),
    sa.Column('detail', sa.Text(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_audit')),
    sqlite_autoincrement=True
    )
    op.create_index(op.f('ix_audit_at'), 'audit', ['at'], unique=False)
    op.create_index(op.f('ix_audit_kind'), 'audit', ['kind'], unique=False)
    op.create_table('person',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('login', sa.Text(), nullable=False),
    sa.Column('name', sa.Text(), nullable=False),
    sa.Column('role', sa.Text(), nullable=False),
    sa.Column('customers', sa.LargeBinary(), nullable=True),
    sa.Column('password', sa.Text(), nullable=False),
    sa.Column('active', sa.Boolean(), nullable=False),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_person')),
    sa.UniqueConstraint('login', name=op.f('uq_person_login'))
    )
    op.create_table('share_link',
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('name', sa.Text(), nullable=False),
    sa.Column('customers', sa.LargeBinary(), nullable=False),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.Column('made_by', sa.Text(), nullable=False),
    sa.Column('until', sa.BigInteger(), nullable=False),
    sa.Column('used_at', sa.BigInteger(), nullable=True),
    sa.Column('revoked_at', sa.BigInteger(), nullable=True),
    sa.PrimaryKeyConstraint('id', name=op.f('pk_share_link')),
    sa.UniqueConstraint('digest', name=op.f('uq_share_link_digest'))
    )
    op.create_table('invitation',
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('person', sa.Text(), nullable=True),
    sa.Column('until', sa.BigInteger(), nullable=False),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_invitation_person'), ondelete='CASCADE'),
    sa.PrimaryKeyConstraint('digest', name=op.f('pk_invitation'))
    )
    op.create_index(op.f('ix_invitation_person'), 'invitation', ['person'], unique=False)
    op.create_table('session',
    sa.Column('digest', sa.Text(), nullable=False),
    sa.Column('id', sa.Text(), nullable=False),
    sa.Column('person', sa.Text(), nullable=False),
    sa.Column('phone', sa.Boolean(), nullable=False),
    sa.Column('agent', sa.Text(), nullable=False),
    sa.Column('address', sa.Text(), nullable=False),
    sa.Column('made_at', sa.BigInteger(), nullable=False),
    sa.Column('seen_at', sa.BigInteger(), nullable=False),
    sa.ForeignKeyConstraint(['person'], ['person.id'], name=op.f('fk_session_person'), ondelete='CASCADE'),
    sa.PrimaryKeyConstraint('digest', name=op.f('pk_session')),
    sa.UniqueConstraint('id', name=op.f('uq_session_id'))
    )
    op.create_index(op.f('ix_session_person'), 'session', ['person'], unique=False)
    op.create_index(op.f('ix_session_seen_at'), 'session', ['seen_at'], unique=False)


def downgrade() -> None:
    op.drop_index(op.f('ix_session_seen_at'), table_name='session')
    op.drop_index(op.f('ix_session_person'), table_name='session')
    op.drop_table('session')
    op.drop_index(op.f('ix_invitation_person'), table_name='invitation')
    op.drop_table('invitation')
    op.drop_table('share_link')
    op.drop_table('person')
    op.drop_index(op.f('ix_audit_kind'), table_name='audit')
    op.drop_index(op.f('ix_audit_at'), table_name='audit')
    op.drop_table('audit')
    op.drop_table('api_token')
