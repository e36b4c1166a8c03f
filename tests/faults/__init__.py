"""What breaks on the road, done for real to a station: each fault here ends with nothing lost."""
