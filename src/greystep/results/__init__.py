"""What a session answers: typed results that know their numbers, their words and their files."""
