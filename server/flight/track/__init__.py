"""One position, velocity and covariance from all trackers, and the phase of the flight."""
