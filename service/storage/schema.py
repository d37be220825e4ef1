"""The tables. Ids are UUIDv7, never sequences; `tenant_id` comes first in every key that is a tenant's."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Column,
    DateTime,
    Dialect,
    ForeignKey,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
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
    Column("site", String(64)),
    Column("created_at", UtcDateTime(), nullable=False),
    Column("expires_at", UtcDateTime()),
    Column("last_used_at", UtcDateTime()),
    Column("revoked_at", UtcDateTime()),
    PrimaryKeyConstraint("tenant_id", "id"),
    # A token is looked up before its tenant is known, so the public id is unique on its own too.
    UniqueConstraint("id"),
)
