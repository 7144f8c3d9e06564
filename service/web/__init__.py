"""The pages over HTTP, with accounts and forms for what a person answers or records."""
