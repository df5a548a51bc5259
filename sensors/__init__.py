"""The wire's vocabulary: payloads, mappings of any other, a board's sensor, simulators, players.

May import ``service.science`` and nothing else of the service.
"""
