"""What the record at load shows: switches, loops, moving air, cycles and slow drifts."""
