"""Timer/counters: what a count does between two settings is a function of the cycle, so nothing ticks."""
