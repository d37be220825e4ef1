"""What a key asks goes through transactions that know how far the key sees."""

import ast
from pathlib import Path

API = Path(__file__).parents[2] / "service" / "api"
# Transactions that know no sites, or no tenant either.
UNBOUND = {"tenant_reading", "tenant_writing", "reading", "writing"}
# Who looks for the key or the tenant while neither is known yet, or asks of the schema.
ALLOWED = {("keyring.py", "reading"), ("tokens.py", "reading")}


def test_no_handler_opens_a_transaction_that_forgets_the_sites() -> None:
    """`reading_within` and `writing_within` take the reach of the principal; the others are for commands."""
    found = set()
    for file in API.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("service.storage"):
                found |= {(file.name, alias.name) for alias in node.names if alias.name in UNBOUND}
    assert found == ALLOWED
