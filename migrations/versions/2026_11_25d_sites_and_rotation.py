"""Sites of a tenant, keys bound to several of them and replaced by others, and policies for a role that owns nothing.

The release before goes on working beside this one: it sets no `app.sites`, which means the whole tenant, and as the
owner of `tenants` and `api_keys` it is not held to their policies, which are enabled but not forced. A later release
may force them, and may demand `app.sites`.

Revises: 2026_11_25c
"""

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25d"
down_revision = "2026_11_25c"
branch_labels = None
depends_on = None

_PARTITIONED = ("lifters", "performed_sets", "summaries")
_PARTITIONS = 8

# Both are asked once a statement, not once a row.
_BOUND_TO = "(SELECT string_to_array(current_setting('app.sites', true), E'\\n'))::text[]"
_UNBOUND = "(SELECT coalesce(current_setting('app.sites', true), '') = '')"
_TENANT = "nullif(current_setting('app.tenant_id', true), '')::uuid"


def upgrade() -> None:
    op.add_column("api_keys", sa.Column("sites", sa.Text(), nullable=True))
    op.add_column("api_keys", sa.Column("replaced_by", sa.String(12), nullable=True))
    op.add_column("idempotency", sa.Column("sites", sa.Text(), nullable=True))
    op.create_table(
        "sites",
        sa.Column("tenant_id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["tenant_id"], ["tenants.id"], name=op.f("fk_sites_tenant_id_tenants")),
        sa.PrimaryKeyConstraint("tenant_id", "name", name=op.f("pk_sites")),
    )
    _take_over_sites()
    if op.get_bind().dialect.name == "postgresql":
        _keep_history_to_sites()
        _keep_keys_to_whom_they_concern()


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        for table in (*_history(), "idempotency", "audit", "api_keys"):
            op.execute(f"DROP POLICY own_sites ON {table}")
        for table, policies in {"api_keys": ("own_tenant", "named"), "tenants": ("own_or_named",)}.items():
            for policy in policies:
                op.execute(f"DROP POLICY {policy} ON {table}")
            op.execute(f"ALTER TABLE {table} DISABLE ROW LEVEL SECURITY")
    op.drop_table("sites")
    op.drop_column("idempotency", "sites")
    op.drop_column("api_keys", "replaced_by")
    op.drop_column("api_keys", "sites")


def _take_over_sites() -> None:
    # Names that keys and lifters carry already become sites. On PostgreSQL lifters show themselves to their tenant
    # only; no lifter has a site but from a key, and keys are never deleted.
    op.execute(
        "INSERT INTO sites (tenant_id, name, created_at) "
        "SELECT tenant_id, site, min(created_at) FROM api_keys WHERE site IS NOT NULL GROUP BY tenant_id, site"
    )


def _history() -> list[str]:
    # Who names a partition goes round the policy of the whole table.
    parts = [f"{table}_p{number}" for table in _PARTITIONED for number in range(_PARTITIONS)]
    return [*_PARTITIONED, *parts]


def _keep_history_to_sites() -> None:
    for table in _history():
        of_lifter = (
            "site = ANY (" + _BOUND_TO + ")" if table.startswith("lifters") else _of_seen_lifter(table)
        )
        _restrict(table, of_lifter)
    # A key of a request that is bound to sites belongs to those sites. The answer belongs to the lifter as well, so
    # that whoever sees the lifter can erase it.
    mine = "sites = current_setting('app.sites', true)"
    _restrict("idempotency", f"{mine} OR {_of_seen_lifter('idempotency')}")
    # The audit tells of the whole tenant: who is bound to sites adds to it and cannot read it.
    op.execute(f"CREATE POLICY own_sites ON audit AS RESTRICTIVE FOR SELECT USING ({_UNBOUND})")


def _of_seen_lifter(table: str) -> str:
    # What `lifters` shows is held to its own policies.
    return (
        f"EXISTS (SELECT 1 FROM lifters AS seen WHERE seen.tenant_id = {table}.tenant_id "  # noqa: S608 - our own names
        f"AND seen.lifter_id = {table}.lifter_id)"
    )


def _restrict(table: str, bound: str) -> None:
    op.execute(f"CREATE POLICY own_sites ON {table} AS RESTRICTIVE USING ({_UNBOUND} OR {bound})")


def _keep_keys_to_whom_they_concern() -> None:
    op.execute("ALTER TABLE sites ENABLE ROW LEVEL SECURITY")
    op.execute("ALTER TABLE sites FORCE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY own_tenant ON sites USING (tenant_id = {_TENANT})")
    _restrict("sites", f"name = ANY ({_BOUND_TO})")
    op.execute("ALTER TABLE api_keys ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY own_tenant ON api_keys USING (tenant_id = {_TENANT})")
    # A token is looked up by its public id, before its tenant is known.
    op.execute("CREATE POLICY named ON api_keys FOR SELECT USING (id = current_setting('app.key_id', true))")
    _restrict("api_keys", f"string_to_array(coalesce(sites, site), E'\\n') <@ {_BOUND_TO}")
    op.execute("ALTER TABLE tenants ENABLE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY own_or_named ON tenants FOR SELECT "
        f"USING (id = {_TENANT} OR name = current_setting('app.tenant_name', true))"
    )
