"""What the crew is shown of a flight at one moment."""
