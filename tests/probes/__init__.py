"""Probes: an operator's people, phones and programs at every door of the product, with what is a rival's in their hands.

``routes`` reads which doors there are from the URL configuration and from the API's own description; ``ground`` makes two
rivals in whom much has happened, and who asks; the modules in ``ways`` make the probes; ``asking`` asks each twice, once
with what is the rival's and once with what nobody has, and ``judging`` says what is wrong. What is expected follows from the
tables of roles and scopes alone: the answer to what is absent (404), 401, or 403.
"""
