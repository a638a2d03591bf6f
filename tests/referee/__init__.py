"""A referee for the estimator: a simulation of its own, sensors with real faults, and figures by definition."""
