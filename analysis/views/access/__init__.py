"""Who may see the status page and who may answer: the keeper's login, sessions, sitters' links, tokens."""
