"""What performed sets teach: exposures, strength, personal capacity, reporting bias, failure, recovery.

`fold.learn` takes what was known and one more set; `view` says what follows at an instant. Pure: time comes with the
sets or as an argument. State depends only on the sets in order of (`performed_at`, `set_id`).
"""
