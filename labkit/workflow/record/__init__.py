"""The record: writing to it and looking things up."""
