"""The tables. Ids are UUIDv7, never sequences; `tenant_id` comes first in every key that is a tenant's.

In a lifter's history `lifter_id` comes second. On PostgreSQL these tables are split by it into hash partitions,
and row-level security shows and takes only rows of the tenant and sites that `tenancy` has entered.
"""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Column,
    DateTime,
    Dialect,
    Double,
    FetchedValue,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    SmallInteger,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    Uuid,
)


class UtcDateTime(TypeDecorator[datetime]):
    """An instant: aware datetimes in any offset go in, aware ones in UTC come out.

    Raises ValueError for a naive datetime.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """The instant in UTC; without a zone for SQLite, which knows none."""
        if value is None:
            return None
        if value.utcoffset() is None:
            raise ValueError("a stored time needs an offset")
        instant = value.astimezone(UTC)
        return instant.replace(tzinfo=None) if dialect.name == "sqlite" else instant

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:  # noqa: ARG002 - SQLAlchemy's signature
        """The instant as an aware datetime in UTC."""
        if value is None:
            return None
        stored: datetime = value
        return stored.replace(tzinfo=UTC) if stored.tzinfo is None else stored.astimezone(UTC)


metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)

tenants = Table(
    "tenants",
    metadata,
    Column("id", Uuid(), nullable=False),
    Column("name", String(64), nullable=False),
    Column("created_at", UtcDateTime(), nullable=False),
    # What lifters' tags in the audit are keyed with. The database draws it, also for a release that knows no audit.
    Column("audit_secret", LargeBinary(32), FetchedValue(), nullable=False),
    PrimaryKeyConstraint("id"),
    UniqueConstraint("name"),
)

api_keys = Table(
    "api_keys",
    metadata,
    Column("tenant_id", Uuid(), ForeignKey(tenants.c.id), nullable=False),
    Column("id", String(12), nullable=False),
    Column("secret_hash", LargeBinary(32), nullable=False),
    Column("scopes", Text(), nullable=False),
    Column("label", String(100)),
    # The one site of a key, for the release before; `sites` holds all, one a line.
    Column("site", String(64)),
    Column("sites", Text()),
    Column("created_at", UtcDateTime(), nullable=False),
    Column("expires_at", UtcDateTime()),
    Column("last_used_at", UtcDateTime()),
    Column("revoked_at", UtcDateTime()),
    Column("replaced_by", String(12)),
    PrimaryKeyConstraint("tenant_id", "id"),
    # A token is looked up before its tenant is known, so the public id is unique on its own too.
    UniqueConstraint("id"),
)

sites = Table(
    "sites",
    metadata,
    Column("tenant_id", Uuid(), ForeignKey(tenants.c.id), nullable=False),
    Column("name", String(64), nullable=False),
    Column("created_at", UtcDateTime(), nullable=False),
    PrimaryKeyConstraint("tenant_id", "name"),
)

_BY_LIFTER = "HASH (lifter_id)"

lifters = Table(
    "lifters",
    metadata,
    Column("tenant_id", Uuid(), ForeignKey(tenants.c.id), nullable=False),
    Column("lifter_id", String(64), nullable=False),
    Column("experience", String(32)),
    Column("goal", String(32)),
    Column("cautions", Text(), nullable=False),
    Column("site", String(64)),
    Column("created_at", UtcDateTime(), nullable=False),
    Column("updated_at", UtcDateTime(), nullable=False),
    Column("version", Integer(), nullable=False),
    PrimaryKeyConstraint("tenant_id", "lifter_id"),
    postgresql_partition_by=_BY_LIFTER,
)

# No reference to the lifter: PostgreSQL checks it row by row, and a batch of sets would take half as long again.
# Its writers hold the lifter's row (`lifters.lock_lifter`), and so does erasure.
performed_sets = Table(
    "performed_sets",
    metadata,
    Column("tenant_id", Uuid(), nullable=False),
    Column("lifter_id", String(64), nullable=False),
    Column("set_id", Uuid(), nullable=False),
    Column("performed_at", UtcDateTime(), nullable=False),
    # What the caller wrote behind the time, so that it comes back as it was sent.
    Column("utc_offset_minutes", SmallInteger(), nullable=False),
    Column("exercise", String(64), nullable=False),
    Column("load_kg", Double(), nullable=False),
    Column("reps", SmallInteger(), nullable=False),
    Column("set_endpoint", String(32), nullable=False),
    Column("reported_rir", Double()),
    Column("rir_call_at_rep", SmallInteger()),
    Column("rir_call_reps_left", Double()),
    Column("prescribed_rir", Double()),
    Column("exercise_order", SmallInteger()),
    Column("set_order", SmallInteger()),
    Column("velocity_loss_percent", Double()),
    Column("note", String(500)),
    PrimaryKeyConstraint("tenant_id", "lifter_id", "set_id"),
    postgresql_partition_by=_BY_LIFTER,
)
# Pages are newest first, of all exercises or of one.
Index(
    "ix_performed_sets_newest",
    performed_sets.c.tenant_id,
    performed_sets.c.lifter_id,
    performed_sets.c.performed_at.desc(),
    performed_sets.c.set_id.desc(),
)
Index(
    "ix_performed_sets_exercise_newest",
    performed_sets.c.tenant_id,
    performed_sets.c.lifter_id,
    performed_sets.c.exercise,
    performed_sets.c.performed_at.desc(),
    performed_sets.c.set_id.desc(),
)

summaries = Table(
    "summaries",
    metadata,
    Column("tenant_id", Uuid(), nullable=False),
    Column("lifter_id", String(64), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("key", String(64), nullable=False),
    Column("content", LargeBinary(), nullable=False),
    PrimaryKeyConstraint("tenant_id", "lifter_id", "kind", "key"),
    postgresql_partition_by=_BY_LIFTER,
)

idempotency = Table(
    "idempotency",
    metadata,
    Column("tenant_id", Uuid(), nullable=False),
    Column("idempotency_key", String(255), nullable=False),
    # An answer kept for replay tells of a lifter, so it is erased with the lifter.
    Column("lifter_id", String(64), nullable=False),
    Column("request_digest", LargeBinary(32), nullable=False),
    Column("status", SmallInteger()),
    Column("body", LargeBinary()),
    Column("created_at", UtcDateTime(), nullable=False),
    # Whose sites the request was bound to (`tenancy.bound_to`); null when to none.
    Column("sites", Text()),
    # The key is the tenant's, not the lifter's: one key for two lifters has to be noticed.
    PrimaryKeyConstraint("tenant_id", "idempotency_key"),
)
Index("ix_idempotency_lifter", idempotency.c.tenant_id, idempotency.c.lifter_id)
Index("ix_idempotency_age", idempotency.c.tenant_id, idempotency.c.created_at)

# Only added to: the database refuses to change or delete an entry. No reference to the tenant either: it would lock
# the tenant's row with every change.
audit = Table(
    "audit",
    metadata,
    Column("tenant_id", Uuid(), nullable=False),
    Column("entry_id", Uuid(), nullable=False),
    Column("recorded_at", UtcDateTime(), nullable=False),
    Column("actor", String(255), nullable=False),
    Column("operation", String(64), nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("lifter_tag", LargeBinary(16)),
    Column("object_id", String(64)),
    Column("request_id", String(64)),
    Column("sets", Integer(), nullable=False),
    PrimaryKeyConstraint("tenant_id", "entry_id"),
)
# Entries are asked for by operation or by lifter, newest first.
Index("ix_audit_operation", audit.c.tenant_id, audit.c.operation, audit.c.entry_id)
Index("ix_audit_lifter", audit.c.tenant_id, audit.c.lifter_tag, audit.c.entry_id)
