"""Who may ask for what, and how often: keys, scopes, rates. Nothing of Flask in here."""
