"""Hand a shoot over as a bag that anyone can check, and check any bag."""
