"""What can be wrong with a session: one small check each, told in words with numbers."""
