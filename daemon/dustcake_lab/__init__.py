"""What can be learned from recordings: replaying them through the decision core."""
