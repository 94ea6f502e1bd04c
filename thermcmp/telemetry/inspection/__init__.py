"""What an unknown log holds, before anything is decided."""
