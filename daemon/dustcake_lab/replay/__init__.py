"""A trace through the decision core: what dustcake would have done, and why."""
