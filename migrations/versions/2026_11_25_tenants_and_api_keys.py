"""Tenants and their API keys.

Revises: nothing, this is the first.
"""

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "tenants",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tenants")),
        sa.UniqueConstraint("name", name=op.f("uq_tenants_name")),
    )
    op.create_table(
        "api_keys",
        sa.Column("tenant_id", sa.Uuid(), nullable=False),
        sa.Column("id", sa.String(12), nullable=False),
        sa.Column("secret_hash", sa.LargeBinary(32), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("label", sa.String(100), nullable=True),
        sa.Column("site", sa.String(64), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["tenant_id"], ["tenants.id"], name=op.f("fk_api_keys_tenant_id_tenants")),
        sa.PrimaryKeyConstraint("tenant_id", "id", name=op.f("pk_api_keys")),
        sa.UniqueConstraint("id", name=op.f("uq_api_keys_id")),
    )


def downgrade() -> None:
    op.drop_table("api_keys")
    op.drop_table("tenants")
