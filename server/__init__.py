"""The station: from what is heard to what the crew sees."""
