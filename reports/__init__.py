"""Floor 4: everything a person sees."""
