"""The use cases, in the words of the lab; clock, paths and session are passed in."""
