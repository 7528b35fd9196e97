"""The daemon: copies cards, takes in new files, and runs what is due.

`loop` decides; `devices`, `new_files` and `schedule` report what happened to it; `worker` runs one task at a
time by calling the jobs of `jobs`; `notify` tells a person what needs attention. `status` is what another
terminal sees.
"""
