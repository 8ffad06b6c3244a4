"""Who may see what: guard, accounts, links, certificate."""
