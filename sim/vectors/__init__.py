"""Few cases that find every known mistake, for the tests of other projects, and their files."""
