"""The evening before: launch hours compared, and the sheet for others."""
