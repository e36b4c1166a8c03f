"""Where to look when the radio is silent: what silence, bearings and searched ground say."""
