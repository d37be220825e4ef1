"""What a set costs later: capacity lost from set to set, into other exercises and into the next sessions.

`predict.predict` walks a plan's sets in order of time and says what each completes and which earlier work took the
rest; `state` is the fatigue of one muscle, carried forward; `numbers` are the data's types. Pure: time comes with the
sets.
"""
