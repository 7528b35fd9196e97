"""Where copies live: drives now, the offsite tier later, behind one small interface (`base.Place`)."""
