"""The bench: the whole job in the browser, served from the user's own machine.

Two kinds of process. The *server* (``app``, one event loop, no heavy imports) keeps the sheets, decides what
has to be computed and hands out files. *Workers* (``worker``, killable, limited in memory and time) read
what people drop, run the pipeline and write results under the hash of everything they depend on.
"""
