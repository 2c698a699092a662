"""From one frame to moments with their covariance, in the order of the standard."""
