"""Files of the land: tiles, lines, terrain, forecasts."""
