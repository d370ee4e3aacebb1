"""Tables, charts, worked calculation, schematic and documents of a finished exploration.

The stub beside this file lists the public names; they are loaded when they are first used.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
