"""Answers as pictures: SVG drawn from the very Structs that are sent as JSON, for apps to embed. Pure."""
