"""Pages and HTTP for people; computes no rule."""
