"""A sandbox: a tenant for trying things out, whose keys are test keys (`efft_...`) and may empty it in one call."""

from typing import Any

from litestar import Request, Response, delete

from service.api.auditing import audited
from service.api.clock import now
from service.api.keyring import principal_of
from service.api.lifters import RECEIPT_HEADER
from service.errors import NotFound
from service.storage.lifters import erase_lifters
from service.storage.tenancy import writing_within


@delete(
    "/v1/sandbox",
    operation_id="emptySandbox",
    summary="Empty the sandbox",
    tags=["Lifters"],
    status_code=204,
    scopes=("history:write",),
    whole_tenant=True,
    problems=(404,),
    statuses=(204,),
    answer_headers=RECEIPT_HEADER,
)
async def empty_sandbox(request: Request[Any, Any, Any]) -> Response[None]:
    """Erases every lifter of a sandbox, for good, with all their sets. Keys, sites and the audit stay.

    A sandbox is a tenant whose name ends in `.sandbox`; its keys begin with `efft_` and reach nothing else. 404 for any
    other key: no call empties a tenant whose lifters are real.
    """
    caller = principal_of(request)
    if not caller.sandbox:
        raise NotFound("this key is no test key, so there is no sandbox to empty")
    async with writing_within(request.app.state.store, caller.reach) as w:
        erased = await erase_lifters(w, caller.tenant_id)
        receipt = await audited(w, request, "erased", at=now(), sets=erased.sets)
    headers = {"cache-control": "no-store", "effort-erasure-receipt": str(receipt)}
    return Response(content=None, status_code=204, headers=headers)
