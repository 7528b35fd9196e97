"""The daemon: what is plugged in, what lands in a folder, what is due, when.

`loop` decides; `looking`, `landing` and `alarm` tell it what happened; `hand` does one errand at a time by calling
the jobs of `work`; `telling` says what needs a person. `status` is what another terminal sees.
"""
