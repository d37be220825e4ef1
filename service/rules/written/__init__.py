"""The answers of `service.rules.prescribe` as JSON, put together from pieces that were encoded before.

`prescribe` stays the reference: a piece that is not known yet is made by its functions, and tests compare every byte. A
piece is remembered under all that it is computed from, so a memo never changes an answer.

What memos hold is `gc=False` or made of plain values: no cycles can be made of it, and a garbage collection that looked
at all of it would stop the process for tens of milliseconds.
"""
