"""How people come in and who they are: sign-in, their own account, people, tokens, share links."""
