"""Laying the humerus of a follow-up scan on that of an earlier scan of the same shoulder."""
