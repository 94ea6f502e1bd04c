"""What a fit says of one build at given conditions."""
