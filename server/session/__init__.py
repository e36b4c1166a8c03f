"""One running mission: a live station or a replay."""
