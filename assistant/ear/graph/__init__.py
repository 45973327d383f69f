"""From the word graph of a grammar to the decoding graph of a Vosk model, without other tools.

``compile_graph`` gives the files of a model's graph folder as bytes; ``Lexicon`` says how words
sound. Pure: files are read and written by whoever calls.
"""

from assistant.ear.graph.compile import GraphOptions, compile_graph, compile_loop
from assistant.ear.graph.lexicon import Lexicon

__all__ = ["GraphOptions", "Lexicon", "compile_graph", "compile_loop"]
