"""PostgreSQL through asyncpg, with time limits, and a pool that survives a restart of the server."""

import asyncio
from typing import Any

import asyncpg  # type: ignore[import-untyped]  # asyncpg ships no types
from sqlalchemy import URL, event
from sqlalchemy.exc import DisconnectionError
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine

# Per process: EFFORT_WORKERS times this has to stay below the server's max_connections.
_CONNECTIONS = 10
_STATEMENT_SECONDS = 15.0
_IDLE_IN_TRANSACTION_SECONDS = 30.0


def postgresql_engine(url: URL, *, patience_seconds: float) -> AsyncEngine:
    """An engine with up to 10 connections.

    `patience_seconds` is the wait for a connection, for a free one in the pool, or for a lock. A statement
    is cancelled after 15 s, a transaction that does nothing after 30 s.
    """
    engine = create_async_engine(
        url,
        pool_size=_CONNECTIONS,
        max_overflow=0,
        pool_timeout=patience_seconds,
        hide_parameters=True,
        connect_args={
            "async_creator_fn": _connect,
            "timeout": patience_seconds,
            # The server cancels first; this limit is for a server that no longer answers at all.
            "command_timeout": _STATEMENT_SECONDS + patience_seconds,
            "server_settings": {
                "application_name": "effort",
                "statement_timeout": _milliseconds(_STATEMENT_SECONDS),
                "lock_timeout": _milliseconds(patience_seconds),
                "idle_in_transaction_session_timeout": _milliseconds(_IDLE_IN_TRANSACTION_SECONDS),
                # Every statement finds its rows by key, whatever the values. Planning anew for the values sent costs
                # more than the work: the tables have eight parts, and policies ask for lifters besides.
                "plan_cache_mode": "force_generic_plan",
            },
        },
    )

    @event.listens_for(engine.sync_engine, "checkout")
    def refuse_closed(dbapi_connection: Any, _record: object, _proxy: object) -> None:
        # After a restart of the server the pool is full of closed connections. The driver knows without
        # asking the server; on this error the pool opens a new one.
        if dbapi_connection.driver_connection.is_closed():
            raise DisconnectionError

    return engine


async def _connect(*arguments: Any, **options: Any) -> Any:
    # Cancelled while it connects, asyncpg leaves an exception behind that nobody fetches, for the log to show. So it
    # goes on without whom it was for.
    connecting = asyncio.ensure_future(asyncpg.connect(*arguments, **options))
    try:
        return await asyncio.shield(connecting)
    except asyncio.CancelledError:
        connecting.add_done_callback(_hang_up)
        raise


def _hang_up(connecting: asyncio.Future[Any]) -> None:
    if not connecting.cancelled() and connecting.exception() is None:
        connecting.result().terminate()


def _milliseconds(seconds: float) -> str:
    return str(round(seconds * 1000))
