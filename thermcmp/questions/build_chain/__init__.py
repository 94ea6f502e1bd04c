"""A card improved in steps: what each step brought."""
