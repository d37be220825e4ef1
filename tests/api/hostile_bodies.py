"""Bodies no route takes, whatever its types: 400 when they cannot be read, 422 when they can."""

import random
import struct
from collections.abc import Iterator
from typing import Any

import msgspec

MOST_NESTED = 64

UNREADABLE: dict[str, bytes] = {
    "empty": b"",
    "white space": b" \n",
    "not a number": b'{"rep_target": NaN}',
    "infinity": b'{"rep_target": -Infinity}',
    "too large a number": b'{"load_percent_1rm": 1e400}',
    "comment": b'{"rep_target": 8} // eight',
    "comment inside": b'{/* eight */"rep_target": 8}',
    "text after": b'{"rep_target": 8} {}',
    "line after line": b'{"rep_target": 8}\n{"rep_target": 9}\n',
    "byte order mark": b'\xef\xbb\xbf{"rep_target": 8}',
    "utf-16": '{"rep_target": 8}'.encode("utf-16"),
    "utf-32": '{"rep_target": 8}'.encode("utf-32-le"),
    "utf-7": b"+AHsAIgByAGUAcAAiADoAIAA4AH0-",
    "latin-1": '{"note": "Maß"}'.encode("latin-1"),
    "invalid utf-8 in a text": b'{"exercise": "\xff\xfe"}',
    "invalid utf-8 in a name": b'{"\xff": 1}',
    "overlong utf-8": b'{"exercise": "\xc0\xaf"}',
    "surrogate in utf-8": b'{"exercise": "\xed\xa0\x80"}',
    "beyond the last code point": b'{"exercise": "\xf4\x90\x80\x80"}',
    "utf-8 cut off": b'{"exercise": "\xe2\x82"}',
    "lone surrogate": rb'{"exercise": "\ud800"}',
    "surrogates the wrong way round": rb'{"exercise": "\udc00\ud800"}',
    "unknown escape": rb'{"exercise": "\x41"}',
    "escape cut off": rb'{"exercise": "\u12"}',
    "escape of no digits": rb'{"exercise": "\uzzzz"}',
    "control character in a text": b'{"exercise": "leg\npress"}',
    "nul byte in a text": b'{"exercise": "leg\x00press"}',
    "single quotes": b"{'rep_target': 8}",
    "name without quotes": b"{rep_target: 8}",
    "number as name": b"{8: 1}",
    "no colon": b'{"rep_target" 8}',
    "no comma": b'{"rep_target": 8 "goal": "power"}',
    "two commas": b'{"rep_target": 8,, "goal": "power"}',
    "comma first": b'{, "rep_target": 8}',
    "cut off": b'{"rep_target": 8',
    "cut off in a text": b'{"rep_targ',
    "cut off in a word": b"tru",
    "trailing comma": b'{"rep_target": 8,}',
    "trailing comma in an array": b"[1,]",
    "closed too often": b'{"rep_target": 8}}',
    "closed by the other bracket": b"[1}",
    "only closed": b"]",
    "words of other languages": b"None",
    "undefined": b"undefined",
    "word in capitals": b'{"deload": TRUE}',
    "leading zero": b'{"rep_target": 08}',
    "leading plus": b'{"rep_target": +8}',
    "leading point": b'{"load_percent_1rm": .5}',
    "trailing point": b'{"rep_target": 8.}',
    "hexadecimal": b'{"rep_target": 0x8}',
    "exponent without digits": b'{"rep_target": 8e}',
    "underscore in a number": b'{"rep_target": 1_0}',
    "two minus signs": b'{"rep_target": --8}',
    "only a minus sign": b"-",
    "nested 65 deep": b"[" * 65 + b"]" * 65,
    "nested 100,000 deep": b"[" * 100_000,
    "objects nested deep": b'{"a":' * 70_000,
    "arrays and objects in turn": b'[{"a":' * 40 + b"1" + b"}]" * 40,
    "nested deep where anything may stand": b'{"contexts": [' + b"[" * 500 + b"]" * 500 + b"]}",
    "nested deep beside a text of brackets": b'{"a": "'
    + b"]" * 99
    + b'", "b": '
    + b"[" * 99
    + b"]" * 99
    + b"}",
    "escaped quotes in a text without end": b"[" * 65 + b'"' + b'\\"' * 900_000,  # hours, were it quadratic
    "quotes without end": b'"' * 100_001,
    "5000 digits": b'{"rep_target": ' + b"9" * 5000 + b"}",
    "form": b"rep_target=8&goal=power",
    "multipart": b'--x\r\nContent-Disposition: form-data; name="rep_target"\r\n\r\n8\r\n--x--\r\n',
    "markup": b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]><a>&b;</a>',
    "yaml": b"rep_target: 8\ngoal: power\n",
    "yaml anchors": b"a: &a [x]\nb: &b [*a, *a]\nc: [*b, *b]\n",
    "python": b"__import__('os').system('true')",
    "pickle": b"\x80\x04\x8c\x02os\x8c\x06system\x93\x8c\x04true\x85R.",
    "gzip": b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x02\x03\x03\x00\x00\x00\x00\x00\x00\x00\x00\x00",
    "zip": b"PK\x05\x06" + b"\x00" * 18,
    "another protocol": b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
    "nul bytes": b"\x00" * 100,
    "every byte": bytes(range(256)),
    "separator of JSON sequences": b'\x1e{"rep_target": 8}\n',
    "no-break space": b'\xc2\xa0{"rep_target": 8}',
    "vertical tab": b'\x0b{"rep_target": 8}',
}

_NAMES = ("tenant_id", "scopes", "lifter_id", "site", "role", "id", "created_at", "version", "$ref", "", "/")

REFUSED: dict[str, bytes] = {
    "400 digits": b'{"rep_target": ' + b"9" * 400 + b"}",
    "negative 400 digits": b'{"rep_target": -' + b"9" * 400 + b"}",
    "text for number": b'{"rep_target": "8"}',
    "nested 64 deep": b"[" * MOST_NESTED + b"]" * MOST_NESTED,
    "objects nested 64 deep": b'{"a":' * (MOST_NESTED - 1) + b"{}" + b"}" * (MOST_NESTED - 1),
    "brackets in a text": b'{"rep_target": "' + b"[" * 1000 + b'"}',
    "nul in a text": rb'{"exercise": "leg\u0000press"}',
    "long text": b'{"exercise": "' + b"a" * 100_000 + b'"}',
    "long member name": b'{"' + b"a" * 100_000 + b'": 1}',
    "name of tildes and slashes": b'{"' + b"~/" * 5000 + b'": 1}',
    "many members": b"{" + b",".join(b'"m%d": 1' % n for n in range(5000)) + b"}",
    "one name many times": b"{" + b",".join(b'"m": %d' % n for n in range(5000)) + b"}",
    "boolean for number": b'{"rep_target": true, "load_kg": false, "load_percent_1rm": true}',
    "array": b"[1, 2, 3]",
    "empty array": b"[]",
    "array of objects": b'[{"rep_target": 8}]',
    "long array": b"[" + b"1," * 50_000 + b"1]",
    "number": b"8",
    "number with an exponent": b"1e308",
    "smallest number": b"5e-324",
    "minus nothing": b"-0.0",
    "text": b'"rep_target"',
    "empty text": b'""',
    "text of an object": rb'"{\"rep_target\": 8}"',
    "null": b"null",
    "true": b"true",
    "prototype": b'{"__proto__": {"x": 1}, "constructor": 1}',
    "operator of a database": b'{"rep_target": {"$gt": 0}, "$where": "1"}',
    "template": b'{"{{7*7}}": "${7*7}"}',
    "look-up": b'{"${jndi:ldap://127.0.0.1/a}": 1}',
    "right to left": '{"\u202etegrat_per": 8}'.encode(),
    "names that look alike": '{"rep_t\u0430rget": 8}'.encode(),
    "name with white space": b'{"rep_target ": 8}',
    "name in capitals": b'{"REP_TARGET": 8, "SETS": [], "CONTEXTS": []}',
    "escaped name of nobody": rb'{"\u0000": 8}',
    **{f"member {name!r}": b'{"%s": "x"}' % name.encode() for name in _NAMES},
}


def _packed(value: Any) -> bytes:
    return msgspec.msgpack.encode(value)


def _claims() -> dict[str, bytes]:
    """Types of MessagePack that announce more than follows: nothing may be set aside for what was announced."""
    headers = {
        "bin8": b"\xc4\xff", "bin16": b"\xc5\xff\xff", "bin32": b"\xc6\xff\xff\xff\xff",
        "ext8": b"\xc7\xff\x01", "ext16": b"\xc8\xff\xff\x01", "ext32": b"\xc9\xff\xff\xff\xff\x01",
        "str8": b"\xd9\xff", "str16": b"\xda\xff\xff", "str32": b"\xdb\xff\xff\xff\xff",
        "array16": b"\xdc\xff\xff", "array32": b"\xdd\xff\xff\xff\xff",
        "map16": b"\xde\xff\xff", "map32": b"\xdf\xff\xff\xff\xff",
    }  # fmt: skip
    bare = {f"{name} of nothing": header for name, header in headers.items()}
    inside = {f"{name} as a member": b"\x81\xa1a" + header for name, header in headers.items()}
    short = {f"{name} cut off in its length": header[:1] for name, header in headers.items()}
    return bare | inside | short


def _strange_packs() -> dict[str, bytes]:
    """Values MessagePack has and JSON has not, by themselves, as a member, as a name and in an array."""
    values = {
        "NaN": b"\xcb\x7f\xf8\x00\x00\x00\x00\x00\x00",
        "NaN of four bytes": b"\xca\x7f\xc0\x00\x00",
        "infinity": b"\xcb\x7f\xf0\x00\x00\x00\x00\x00\x00",
        "minus infinity": b"\xca\xff\x80\x00\x00",
        "bytes": b"\xc4\x01a",
        "extension": b"\xd4\x05a",
        "long extension": b"\xc7\x03\x7fabc",
        "time of four bytes": b"\xd6\xff\x5f\x00\x00\x00",
        "time of eight bytes": b"\xd7\xff" + struct.pack(">Q", 1_600_000_000),
        "time of twelve bytes": b"\xc7\x0c\xff" + struct.pack(">Iq", 1, 1_600_000_000),
        "time before the calendar": b"\xc7\x0c\xff" + struct.pack(">Iq", 0, -(2**62)),
        "time of odd length": b"\xc7\x05\xffabcde",
    }
    places = {
        "": b"%s",
        " as a member": b"\x81\xa1a%s",
        " in an array": b"\x91%s",
        " deep inside": b"\x81\xa1a\x91\x81\xa1b%s",
    }
    names = {f"{kind} as a name": b"\x81" + value + b"\x01" for kind, value in values.items()}
    return {
        kind + at: shape % value for kind, value in values.items() for at, shape in places.items()
    } | names


UNREADABLE_PACKS: dict[str, bytes] = {
    "garbage": b"\xc1\xc1",
    "reserved byte": b"\xc1",
    "reserved byte as a member": b"\x81\xa1a\xc1",
    "empty": b"",
    "JSON": b'{"rep_target": 8}',
    "cut off": b"\x81\xaarep_target",
    "cut off in a name": b"\x81\xaarep",
    "cut off in a number": b"\x81\xa1a\xcf\x00\x00",
    "cut off in a fraction": b"\x81\xa1a\xcb\x7f",
    "nested deep": b"\x91" * 2000 + b"\xc0",
    "nested 100,000 deep": b"\x91" * 100_000,
    "objects nested deep": b"\x81\xa1a" * 2000 + b"\xc0",
    "nested 65 deep": b"\x91" * 65 + b"\xc0",
    "after the value": _packed({"rep_target": 8}) + b"\x01",
    "two values": _packed({"rep_target": 8}) * 2,
    "number as a name": _packed({8: 1}),
    "array as a name": b"\x81\x91\x01\x01",
    "nil as a name": b"\x81\xc0\x01",
    "true as a name": b"\x81\xc3\x01",
    "text that is no utf-8": b"\x81\xa1\xff\x01",
    "text of surrogates": b"\x81\xa1a\xa3\xed\xa0\x80",
    **_claims(),
    **_strange_packs(),
}

REFUSED_PACKS: dict[str, bytes] = {
    "nested 64 deep": b"\x91" * (MOST_NESTED - 1) + b"\x90",
    "largest whole number": b"\xcf" + b"\xff" * 8,
    "smallest whole number": b"\xd3\x80" + b"\x00" * 7,
    "one name many times": b"\xde\x03\xe8" + b"\xa1m\x01" * 1000,
    "null": b"\xc0",
    "empty array": b"\x90",
    "nul in a name": b"\x81\xa1\x00\x01",
    **{f"member {name!r}": _packed({name: "x"}) for name in _NAMES},
}

# What is put into a good body at random places.
CHANGES = (
    b'"',
    b"\\",
    b"[",
    b"{",
    b"}",
    b"-",
    b"1e999",
    b"1e308",
    b"null",
    b"\xff",
    b"\\ud800",
    b"\\u0000",
    b" ",
    b".0",
)


def changed_bodies(good: bytes, count: int) -> Iterator[bytes]:
    """Yield a good body with bytes put into it at random places, the same ones every time."""
    places = random.Random(20261125)
    for _ in range(count):
        body = bytearray(good)
        for _ in range(places.randint(1, 3)):
            at = places.randrange(len(body))
            body[at : at + places.randint(0, 2)] = places.choice(CHANGES)
        yield bytes(body)
