"""A set's page: what is wrong, what it reads and did, and the words and pictures it is told in."""
