"""The HTTP room: reading requests strictly, answering, problems, keys, the document, the outer layer."""
