"""Roads of OpenStreetMap extracts: a graph of what a car may drive, and the shortest times over it."""
