"""The recipe of our own small Vosk model: from nothing to a model folder, step by step.

Run it with ``python -m models.recipe --help`` from the root of a checkout, with the optional
packages of the extra ``train`` installed. Nothing in here is used at run time.
"""
