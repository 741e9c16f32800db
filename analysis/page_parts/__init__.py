"""Parts of the page: what it shows as text, charts and small browser components, and the widgets of each step.

Nothing here analyses: a part takes plain values or a finished result and gives
elements. `assets`, `markup`, `charts`, `record_charts`, `pictures` and `choices` know nothing of
Streamlit and can be tested alone.
"""
