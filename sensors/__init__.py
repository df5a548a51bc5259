"""The wire's vocabulary: payloads, a booth simulator and a player of recorded series.

May import ``service.science`` and nothing else of the service.
"""
