"""Messages that carry no alert: to confirm an address, to sign in, to tell an owner or the operator."""
