"""Listings: assembled into memory and pins that move on cue, and run on the hardware."""
