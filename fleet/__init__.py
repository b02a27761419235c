"""What everybody means by the words, and where things are kept."""
