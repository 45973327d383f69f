"""The live page: who may come in, its certificate, and the server that shows it."""
