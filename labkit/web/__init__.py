"""The workplace in the browser: asks the use cases, and prints their reports as pages."""
