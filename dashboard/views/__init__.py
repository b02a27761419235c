"""What the pages and the interface for programs tell, as typed frozen records, a file a family.

A record is made once, by one function, from the fleet's nouns under a Scope. A page hands it to its
template, which knows it as `view` and reads its attributes; a route of the interface returns it, and
the contract (OpenAPI) is derived from its fields.
"""
