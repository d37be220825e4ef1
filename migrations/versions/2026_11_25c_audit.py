"""The audit, which is only added to, and the secret of each tenant that tells lifters apart in it.

Revises: 2026_11_25b
"""

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25c"
down_revision = "2026_11_25b"
branch_labels = None
depends_on = None

_REFUSAL = "audit entries are never changed or deleted"
# 244 random bits, spread over 32 bytes.
_DRAWN_ON_POSTGRESQL = "sha256(convert_to(gen_random_uuid()::text || gen_random_uuid()::text, 'UTF8'))"
_DRAWN_ON_SQLITE = "(randomblob(32))"


def upgrade() -> None:
    _add_secret()
    _create_audit()
    if op.get_bind().dialect.name == "postgresql":
        _only_added_to_on_postgresql()
        _keep_to_tenant()
    else:
        _only_added_to_on_sqlite()


def downgrade() -> None:
    on_postgresql = op.get_bind().dialect.name == "postgresql"
    op.drop_table("audit")
    if on_postgresql:
        op.execute("DROP FUNCTION refuse_change_of_audit()")
    with op.batch_alter_table("tenants", copy_from=None if on_postgresql else _tenants(secret=True)) as table:
        table.drop_column("audit_secret")


def _tenants(*, secret: bool) -> sa.Table:
    """The table as SQLite has it: changed by copying, and copied from words where there is no database to ask."""
    more = [_secret_column(_DRAWN_ON_SQLITE)] if secret else []
    return sa.Table(
        "tenants",
        sa.MetaData(),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        *more,
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tenants")),
        sa.UniqueConstraint("name", name=op.f("uq_tenants_name")),
    )


def _secret_column(drawn: str) -> sa.Column[bytes]:
    return sa.Column("audit_secret", sa.LargeBinary(32), nullable=False, server_default=sa.text(drawn))


def _add_secret() -> None:
    # A default that is drawn anew for each row, so that the release before this one can go on making tenants.
    if op.get_bind().dialect.name == "postgresql":
        op.add_column("tenants", _secret_column(_DRAWN_ON_POSTGRESQL))
        return
    with op.batch_alter_table("tenants", recreate="always", copy_from=_tenants(secret=False)) as table:
        table.add_column(_secret_column(_DRAWN_ON_SQLITE))


def _create_audit() -> None:
    op.create_table(
        "audit",
        sa.Column("tenant_id", sa.Uuid(), nullable=False),
        sa.Column("entry_id", sa.Uuid(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(255), nullable=False),
        sa.Column("operation", sa.String(64), nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
        sa.Column("lifter_tag", sa.LargeBinary(16), nullable=True),
        sa.Column("object_id", sa.String(64), nullable=True),
        sa.Column("request_id", sa.String(64), nullable=True),
        sa.Column("sets", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "entry_id", name=op.f("pk_audit")),
    )
    op.create_index("ix_audit_operation", "audit", ["tenant_id", "operation", "entry_id"])
    op.create_index("ix_audit_lifter", "audit", ["tenant_id", "lifter_tag", "entry_id"])


def _only_added_to_on_postgresql() -> None:
    op.execute(
        "CREATE FUNCTION refuse_change_of_audit() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_REFUSAL}' USING ERRCODE = 'restrict_violation'; END $$"
    )
    op.execute(
        "CREATE TRIGGER only_added_to BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change_of_audit()"
    )
    # The service may well run as the owner of its tables: it too is left with reading and adding.
    op.execute("REVOKE UPDATE, DELETE, TRUNCATE ON audit FROM CURRENT_USER, PUBLIC")


def _keep_to_tenant() -> None:
    op.execute("ALTER TABLE audit ENABLE ROW LEVEL SECURITY")
    op.execute("ALTER TABLE audit FORCE ROW LEVEL SECURITY")
    op.execute(
        "CREATE POLICY own_tenant ON audit "
        "USING (tenant_id = nullif(current_setting('app.tenant_id', true), '')::uuid)"
    )


def _only_added_to_on_sqlite() -> None:
    refuse = f"BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END"
    op.execute(f"CREATE TRIGGER audit_never_changed BEFORE UPDATE ON audit {refuse}")
    op.execute(f"CREATE TRIGGER audit_never_deleted BEFORE DELETE ON audit {refuse}")
    # INSERT OR REPLACE deletes the old row without asking the trigger before.
    there = "EXISTS (SELECT 1 FROM audit WHERE tenant_id = NEW.tenant_id AND entry_id = NEW.entry_id)"
    op.execute(f"CREATE TRIGGER audit_never_replaced BEFORE INSERT ON audit WHEN {there} {refuse}")
