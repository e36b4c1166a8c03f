"""Sources against real counterparts: sockets, pseudo-terminals and a real gpsd."""
