"""A programme as a whole: who was tested, how much the group changed, and what that can and cannot show."""
