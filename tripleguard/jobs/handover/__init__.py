"""Hand a shoot over as a bag that anybody can check, and check anybody's bag."""
