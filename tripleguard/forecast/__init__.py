"""Forecasts from numbers alone: no disk, no clock, no catalog.

`rescan_plan`: what falls due when, and whether it is read in time. `drive_filling`: when a drive is full.
`loss_risk`: the chance of losing a file, and `loss_simulation` the same by Monte Carlo. `published_models`:
published models to compare with.
"""
