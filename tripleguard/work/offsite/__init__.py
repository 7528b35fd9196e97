"""The third place: which pictures are chosen, how they get there, how they are proved there."""
