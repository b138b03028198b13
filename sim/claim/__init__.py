"""Rules of thumb judged by the gates on every input, and the simplest formulas that hold."""
