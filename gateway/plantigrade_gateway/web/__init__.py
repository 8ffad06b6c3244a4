"""The pages: the live page, stored sessions, sign-in. Served by a process of its own."""
