"""Lifters, their performed sets, what is learned from those, and answers kept for replay.

Revises: 2026_11_25
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25b"
down_revision = "2026_11_25"
branch_labels = None
depends_on = None

_PARTITIONS = 8
_BY_LIFTER = "HASH (lifter_id)"
_HISTORY = ("lifters", "performed_sets", "summaries", "idempotency")


def upgrade() -> None:
    _create_lifters()
    _create_performed_sets()
    _create_summaries()
    _create_idempotency()
    if op.get_bind().dialect.name == "postgresql":
        # A summary row is rewritten with every set: room in its page keeps the index out of it.
        _partition("lifters")
        _partition("performed_sets")
        _partition("summaries", "WITH (fillfactor = 70)")
        for table in _HISTORY:
            _keep_to_tenant(table)


def downgrade() -> None:
    for table in reversed(_HISTORY):
        op.drop_table(table)


def _create_lifters() -> None:
    op.create_table(
        "lifters",
        sa.Column("tenant_id", sa.Uuid(), nullable=False),
        sa.Column("lifter_id", sa.String(64), nullable=False),
        sa.Column("experience", sa.String(32), nullable=True),
        sa.Column("goal", sa.String(32), nullable=True),
        sa.Column("cautions", sa.Text(), nullable=False),
        sa.Column("site", sa.String(64), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["tenant_id"], ["tenants.id"], name=op.f("fk_lifters_tenant_id_tenants")),
        sa.PrimaryKeyConstraint("tenant_id", "lifter_id", name=op.f("pk_lifters")),
        postgresql_partition_by=_BY_LIFTER,
    )


def _create_performed_sets() -> None:
    op.create_table(
        "performed_sets",
        sa.Column("tenant_id", sa.Uuid(), nullable=False),
        sa.Column("lifter_id", sa.String(64), nullable=False),
        sa.Column("set_id", sa.Uuid(), nullable=False),
        sa.Column("performed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("utc_offset_minutes", sa.SmallInteger(), nullable=False),
        sa.Column("exercise", sa.String(64), nullable=False),
        sa.Column("load_kg", sa.Double(), nullable=False),
        sa.Column("reps", sa.SmallInteger(), nullable=False),
        sa.Column("set_endpoint", sa.String(32), nullable=False),
        sa.Column("reported_rir", sa.Double(), nullable=True),
        sa.Column("rir_call_at_rep", sa.SmallInteger(), nullable=True),
        sa.Column("rir_call_reps_left", sa.Double(), nullable=True),
        sa.Column("prescribed_rir", sa.Double(), nullable=True),
        sa.Column("exercise_order", sa.SmallInteger(), nullable=True),
        sa.Column("set_order", sa.SmallInteger(), nullable=True),
        sa.Column("velocity_loss_percent", sa.Double(), nullable=True),
        sa.Column("note", sa.String(500), nullable=True),
        sa.PrimaryKeyConstraint("tenant_id", "lifter_id", "set_id", name=op.f("pk_performed_sets")),
        postgresql_partition_by=_BY_LIFTER,
    )
    newest: list[Any] = [sa.text("performed_at DESC"), sa.text("set_id DESC")]
    of_lifter = ["tenant_id", "lifter_id"]
    op.create_index("ix_performed_sets_newest", "performed_sets", [*of_lifter, *newest])
    op.create_index("ix_performed_sets_exercise_newest", "performed_sets", [*of_lifter, "exercise", *newest])


def _create_summaries() -> None:
    op.create_table(
        "summaries",
        sa.Column("tenant_id", sa.Uuid(), nullable=False),
        sa.Column("lifter_id", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "lifter_id", "kind", "key", name=op.f("pk_summaries")),
        postgresql_partition_by=_BY_LIFTER,
    )


def _create_idempotency() -> None:
    op.create_table(
        "idempotency",
        sa.Column("tenant_id", sa.Uuid(), nullable=False),
        sa.Column("idempotency_key", sa.String(255), nullable=False),
        sa.Column("lifter_id", sa.String(64), nullable=False),
        sa.Column("request_digest", sa.LargeBinary(32), nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "idempotency_key", name=op.f("pk_idempotency")),
    )
    op.create_index("ix_idempotency_lifter", "idempotency", ["tenant_id", "lifter_id"])
    op.create_index("ix_idempotency_age", "idempotency", ["tenant_id", "created_at"])


def _partition(table: str, storage: str = "") -> None:
    for number in range(_PARTITIONS):
        op.execute(
            f"CREATE TABLE {table}_p{number} PARTITION OF {table} "
            f"FOR VALUES WITH (MODULUS {_PARTITIONS}, REMAINDER {number}) {storage}".rstrip()
        )
        # Who names a partition goes round the policy of the whole table.
        _keep_to_tenant(f"{table}_p{number}")


def _keep_to_tenant(table: str) -> None:
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    # Forced: the service may well run as the owner of its tables.
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY own_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('app.tenant_id', true), '')::uuid)"
    )
