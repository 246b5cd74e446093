"""Reports: the published site, from result tables alone."""
