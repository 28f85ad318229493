"""What is said to people, made from codes and numbers: one file a subject."""
