"""A synthesised dataset: a bicycle-repair co-op beside a tram line.

Everything in it is invented and computed from physical models with fixed
seeds: no recording, no measurement and no real place is behind any figure.

    scene    who, what, when: phones, machines, levels, the seeded schedule
    sources  forces: motors, impacts, compressor, grinder, tram, shaver
    physics  the path: lid, pickup, sound card
    build    samples, label tables and the dataset's files
"""
