"""The plan file: TOML in, checked values out, errors with their lines."""
