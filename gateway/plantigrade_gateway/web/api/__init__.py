"""The JSON API of the coach's part, for the coach's own programs: the pages' rights, no pages."""
