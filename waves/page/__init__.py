"""The page that runs the gates in a browser: one HTML file, with all that it needs in it."""
