"""Making in the background: a process of its own for each make, watched through files."""
