"""The use cases, in the words of the lab; the means of making and all places are passed in."""
