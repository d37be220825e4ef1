"""Reading a request body: which format, whether it can be read, whether it is valid. Strict both ways.

415, 400 and 422 in that order. `8.0` is an integer (as JSON Schema has it), `"8"` is not.
"""

import math
import re
from codecs import BOM_UTF8
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from functools import lru_cache
from itertools import chain, islice
from typing import Any, TypeVar, cast, get_type_hints

import msgspec

from service.api.faults import entry_of_array, faults_in, is_map, is_sound, struct_in, struct_in_array
from service.errors import Fault, InputRefused, MediaTypeRefused, Unreadable

T = TypeVar("T")
Members = dict[str, Any]
Rules = Callable[[Members], Iterable[Fault]]

JSON = "application/json"
MESSAGEPACK = "application/vnd.msgpack"
_MESSAGEPACK_NAMES = (MESSAGEPACK, "application/msgpack", "application/x-msgpack")
MOST_NESTED = 64
MOST_FAULTS = 100
MOST_EXPLAINED = 200  # of an array's or a map's entries, beyond their own types
# A text that never ends counts to the end, and nothing is tried twice: hostile bodies cost linear time.
_TEXTS = re.compile(rb'"(?:[^"\\]++|\\.)*+(?:"|\\?\Z)', re.DOTALL)
_NOT_BRACKETS = bytes(set(range(256)) - set(b"[]{}"))

_Decoder = msgspec.json.Decoder[Any] | msgspec.msgpack.Decoder[Any]


def media_type_of(content_type: str, content_encoding: str) -> str:
    """Return JSON or MESSAGEPACK. Raises MediaTypeRefused for anything else, and for encoded bodies."""
    if content_encoding:
        raise MediaTypeRefused("send the body without Content-Encoding")
    essence, *parameters = (part.strip().lower() for part in content_type.split(";"))
    if essence in _MESSAGEPACK_NAMES:
        return MESSAGEPACK
    if essence == JSON and all(
        parameter in ("", "charset=utf-8", 'charset="utf-8"') for parameter in parameters
    ):
        return JSON
    raise MediaTypeRefused(f"send Content-Type {JSON} or {MESSAGEPACK}")


def no_rules(_: Members) -> Iterable[Fault]:
    """Return no fault: nothing is to be said beyond the types."""
    return ()


@lru_cache(maxsize=256)
def _decoder(media_type: str, kind: Any) -> _Decoder:
    return msgspec.json.Decoder(kind) if media_type == JSON else msgspec.msgpack.Decoder(kind)


def _without_texts(body: bytes) -> bytes:
    if b"\\" in body:
        return _TEXTS.sub(b"", body)
    # Every quotation mark begins or ends a text then: a fifth of the time.
    return b"".join(body.split(b'"')[::2])


def nested_too_deep(body: bytes) -> bool:
    """True for JSON nested deeper than MOST_NESTED; brackets in text do not count."""
    if body.count(b"[") + body.count(b"{") <= MOST_NESTED:
        return False
    depth = 0
    for bracket in _without_texts(body).translate(None, _NOT_BRACKETS):
        depth += 1 if bracket in b"[{" else -1
        if depth > MOST_NESTED:
            return True
    return False


def _strange(value: Any, left: int = MOST_NESTED) -> str | None:
    """What MessagePack can carry and JSON cannot, anywhere in `value`; None when nothing is."""
    if isinstance(value, float) and not math.isfinite(value):
        return "it holds NaN or Infinity"
    if isinstance(value, bytes | msgspec.msgpack.Ext | datetime):
        return "it holds bytes, a time or an extension type"
    if not isinstance(value, dict | list):
        return None
    if not left:
        return f"it nests deeper than {MOST_NESTED}"
    if isinstance(value, dict) and not all(isinstance(key, str) for key in value):
        return "it names members by something other than text"
    inner = value.values() if isinstance(value, dict) else value
    return next((found for entry in inner if (found := _strange(entry, left - 1))), None)


def plain_value(body: bytes, media_type: str) -> Any:
    """Return the body as builtins. Raises Unreadable."""
    if not body:
        raise Unreadable("the body is empty")
    if media_type == JSON and body.startswith(BOM_UTF8):
        raise Unreadable("the body starts with a byte order mark; send UTF-8 without it")
    if media_type == JSON and nested_too_deep(body):
        raise Unreadable(f"the body nests deeper than {MOST_NESTED}")
    try:
        value = _decoder(media_type, Any).decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, ValueError) as error:
        name = "JSON" if media_type == JSON else "MessagePack"
        raise Unreadable(f"the body is not {name} that can be read: {_why(error)}") from error
    if media_type == MESSAGEPACK and (found := _strange(value)):
        raise Unreadable(f"the body cannot be read: {found}")
    return value


def _why(error: Exception) -> str:
    if isinstance(error, UnicodeDecodeError):
        return "invalid UTF-8"
    if isinstance(error, RecursionError):
        return "nested too deep"
    # where it is msgspec does not know itself, when it reads a whole body at once: `$[...]`
    told = re.sub(r"^(JSON|MessagePack data) is malformed: ", "", str(error)).split(" - at ")[0][:120]
    # msgspec says the same of both
    return told.replace("Input data was truncated", "it ends too early, or holds half a surrogate pair")


def _with_whole_numbers(value: Any) -> Any:
    """Turn whole floats into integers everywhere; float members take integers as well."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, dict):
        return {key: _with_whole_numbers(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return [_with_whole_numbers(entry) for entry in value]
    return value


@lru_cache(maxsize=64)
def _hints(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind, include_extras=True)


def _sound_part(sent: Any, hint: Any) -> Any:
    """Return what is sound in a member that is not: of a Struct or a map its members, of an array its entries.

    An entry that is not sound, and no Struct, is None: the others keep their places.
    """
    single, item = struct_in(hint), struct_in_array(hint)
    if single is not None and isinstance(sent, dict):
        return _sound_members(sent, single)
    if item is not None and isinstance(sent, list):
        return tuple(_sound_members(entry, item) for entry in sent[:MOST_EXPLAINED])
    if (plain := entry_of_array(hint)) is not None and isinstance(sent, list):
        return tuple(entry if is_sound(entry, plain) else None for entry in sent[:MOST_EXPLAINED])
    if is_map(hint) and isinstance(sent, dict):
        few = islice(sent.items(), MOST_EXPLAINED)
        return {name: entry for name, entry in few if is_sound({name: entry}, hint)}
    return None


def _sound_members(value: Any, kind: Any) -> Members:
    """Return the members that are valid, each by itself; of a Struct that is not, or of each in an array, its own."""
    hints = _hints(kind)
    found: Members = {}
    for field in msgspec.structs.fields(kind) if isinstance(value, dict) else ():
        if field.encode_name in value:
            sent, hint = _with_whole_numbers(value[field.encode_name]), hints[field.name]
            try:
                found[field.name] = msgspec.convert(sent, hint, strict=True)
            except (msgspec.ValidationError, OverflowError):
                if (part := _sound_part(sent, hint)) is not None:
                    found[field.name] = part
    return found


def valid(value: Any, kind: type[T], rules: Rules = no_rules) -> T:
    """Return builtins as `kind`. Raises InputRefused with every fault, `rules` on the sound members included."""
    whole = _with_whole_numbers(value)
    try:
        return msgspec.convert(whole, kind, strict=True)
    except (msgspec.ValidationError, OverflowError) as error:
        found = chain(faults_in(whole, kind), _beyond_types(whole, kind, rules))
        faults = tuple(islice(found, MOST_FAULTS))
        raise InputRefused(faults or (Fault("#", str(error)[:120]),)) from error


def _beyond_types(value: Any, kind: type[T], rules: Rules) -> Iterator[Fault]:
    """Yield what `rules` say; finding the sound members is work that only starts where there is room for more."""
    yield from rules(_sound_members(value, kind))


def decode(body: bytes, media_type: str, kind: type[T], rules: Rules = no_rules) -> T:
    """Return the body as `kind`. Raises Unreadable (400) or InputRefused (422) with every fault."""
    if media_type == JSON and not nested_too_deep(body):
        try:
            return cast("T", _decoder(media_type, cast("Any", kind)).decode(body))
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, ValueError):
            pass  # the careful way below says what is wrong
    return valid(plain_value(body, media_type), kind, rules)
