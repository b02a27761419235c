"""A recording followed as it was received: its lines in order, and the service that follows them."""

from hourhand.recorded.following import Followed, FollowFault, Following

__all__ = ["FollowFault", "Followed", "Following"]
