"""Chemistry of the rinse: conductivity, temperature, TDS scales, solutions. Pure functions."""
