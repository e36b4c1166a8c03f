"""A flight without a balloon: made flights with truth, and the real ends that a station hears."""
