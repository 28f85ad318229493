"""Several lights on one subject: what no common white balance repairs, what would, and which heads go together."""
