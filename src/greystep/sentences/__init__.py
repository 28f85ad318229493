"""What people read, made from the facts of the other rooms: one file a subject."""
