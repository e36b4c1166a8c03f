"""What stations tell each other: who heard what, signed, in order, without gaps."""
