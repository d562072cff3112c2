"""The papers of a case: facts for each document, then rendering."""
