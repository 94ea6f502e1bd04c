"""Whether readings can be what their columns say, before anything is averaged."""
