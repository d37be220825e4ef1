"""The answers of `service.rules.prescribe` as JSON, put together from pieces that were encoded before.

`prescribe` stays the reference: a piece that is not known yet is made by its functions, and tests compare every byte. A
piece is remembered under all that it is computed from, so a memo never changes an answer.
"""
