"""Verdicts to alerts to mails: a lifecycle table, a policy table, a wording table. Pure."""
