"""The call list (to come with the decision)."""
