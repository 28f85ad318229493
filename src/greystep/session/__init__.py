"""Who and what fired: the log, joined with what was measured."""
