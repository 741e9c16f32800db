"""Stripe or Grain: are the marks on an engraved piece made by the machine or by the wood?"""
