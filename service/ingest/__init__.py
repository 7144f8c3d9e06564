"""Taking logs in: each content once, whole, and after any crash."""
