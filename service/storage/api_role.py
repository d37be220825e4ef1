"""What the role that serves may do: read and write rows that row-level security gives it, and nothing else.

On PostgreSQL two roles share the work. The owner of the database migrates it and runs commands that make tenants; the
API's role serves. It owns nothing, so that no policy can be switched off with its rights, and gets the rights below.
"""

import re

from sqlalchemy import Connection, text

from service.errors import SettingsInvalid
from service.storage.engine import Store, Writing, writing
from service.storage.failures import translated

# By table. Never TRUNCATE, which no policy holds, REFERENCES or TRIGGER; parts of tables get none at all.
RIGHTS: dict[str, tuple[str, ...]] = {
    "alembic_version": ("SELECT",),
    "tenants": ("SELECT",),
    "sites": ("SELECT", "INSERT", "DELETE"),
    "api_keys": ("SELECT", "INSERT", "UPDATE (last_used_at, expires_at, revoked_at, replaced_by)"),
    "lifters": ("SELECT", "INSERT", "UPDATE", "DELETE"),
    "performed_sets": ("SELECT", "INSERT", "UPDATE", "DELETE"),
    "summaries": ("SELECT", "INSERT", "UPDATE", "DELETE"),
    "idempotency": ("SELECT", "INSERT", "UPDATE", "DELETE"),
    "audit": ("SELECT", "INSERT"),
}
_TURNS = 7_035_771_482
_ROLE = re.compile(r"[a-z_][a-z0-9_]{0,62}")


async def grant_rights(store: Store, role: str) -> None:
    """Gives `role`, which exists, exactly these rights in the migrated database, and takes others on its tables away.

    Run as the owner. Raises SettingsInvalid for a role that is not there, that could go round the policies, or on
    SQLite, which has no roles; StorageUnavailable.
    """
    if store.kind != "postgresql":
        raise SettingsInvalid("--api-role: SQLite has no roles; whoever may write the file may do everything")
    if _ROLE.fullmatch(role) is None:
        raise SettingsInvalid(
            f"--api-role {role!r:.80}: takes a role's name in lower case letters, digits and '_'"
        )
    async with writing(store) as w:
        await _check(w, role)
        with translated():
            await w.connection.run_sync(_grant, role)


async def _check(w: Writing, role: str) -> None:
    found = (
        await w.execute(
            text(
                "SELECT rolsuper OR rolbypassrls AS free,"
                " pg_has_role(oid, current_user, 'MEMBER') AS owner,"
                " EXISTS (SELECT 1 FROM pg_class WHERE relowner = pg_roles.oid) AS owns"
                " FROM pg_roles WHERE rolname = :role"
            ),
            {"role": role},
        )
    ).one_or_none()
    if found is None:
        raise SettingsInvalid(f"--api-role: there is no role {role}; CREATE ROLE {role} LOGIN makes one")
    if found.free:
        raise SettingsInvalid(f"--api-role: {role} is a superuser or has BYPASSRLS: no policy would hold it")
    if found.owner or found.owns:
        raise SettingsInvalid(
            f"--api-role: {role} owns tables or can act as their owner: no policy would hold it"
        )


def _grant(connection: Connection, role: str) -> None:
    # Two who change the rights of one table at once would fail; migrations take turns with the same lock.
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_TURNS})")
    schema = connection.exec_driver_sql("SELECT current_schema()").scalar_one()
    connection.exec_driver_sql(f'REVOKE ALL ON ALL TABLES IN SCHEMA "{schema}" FROM "{role}"')
    connection.exec_driver_sql(f'GRANT USAGE ON SCHEMA "{schema}" TO "{role}"')
    for table, rights in RIGHTS.items():
        connection.exec_driver_sql(f'GRANT {", ".join(rights)} ON {table} TO "{role}"')
