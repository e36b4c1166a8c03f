"""The commands, a file each, and where the real parts are put together."""
