"""The page for people: static files that need no build step, and the frame every page of the service has."""
