"""The places where copies live, drives and the offsite tier, behind one small interface (`scan_base.ItemSpan`)."""
