"""The places where copies are kept, drives and offsite, behind the interfaces in `base` and `offsite_store`."""
