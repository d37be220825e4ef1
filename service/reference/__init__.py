"""The reference for people: policies with their curves drawn, sources, problem types, the contract to try out."""
