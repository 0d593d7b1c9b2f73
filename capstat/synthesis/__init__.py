"""Published studies as data: what they report, what that means as an effect, and what they say together."""
