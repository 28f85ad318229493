"""What people read: codes and numbers of every room turned into sentences, each in one place."""
