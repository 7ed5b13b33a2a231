"""Before and after the rinse: liquors, doses, portions, endpoints, spent liquors. Pure."""
