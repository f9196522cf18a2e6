"""How far repeated photos of the same claws agree, with each other and with measures taken by hand.

The statistics (``variance``, ``icc``, ``agreement``, ``iso5725``, ``stated``, ``outliers``) are pure and know no
photos; ``repeats`` and ``hand`` say what belongs together, ``study`` puts both together, ``record``, ``table`` and
``summary`` say it.
"""
