"""Where it will come down: a view of the flight, computed from a question and never fed back."""
