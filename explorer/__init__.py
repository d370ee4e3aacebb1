"""The brief, the design space, the search, the front and the command line.

``explorer.read_brief``, ``explorer.explore``, ``explorer.assess`` and ``explorer.report`` are what
a notebook needs; they are loaded when they are first used. The stub beside this file lists them.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
