"""Making a set, and reading one back."""
