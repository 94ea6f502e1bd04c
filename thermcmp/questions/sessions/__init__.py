"""A bench over the years: its sessions, its creep and its reference card."""
