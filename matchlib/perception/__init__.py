"""What a person sees."""
