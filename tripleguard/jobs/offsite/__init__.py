"""The offsite place: choose selects; upload, verify, rescan and repair what is stored there."""
