"""Pictures with words: what a person is shown."""
