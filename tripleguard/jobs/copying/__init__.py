"""The copy engine: buffers, hashing, a lane per drive, runs, and recording. It knows no card and no clearance."""
