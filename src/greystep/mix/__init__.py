"""Several lights on one subject: what no single balance mends, what would, and which heads go together."""
