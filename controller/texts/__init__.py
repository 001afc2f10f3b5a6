"""The screens' sentences, a module a page: dictionaries from key to text, merged by `controller.words`.

Plain ASCII with named places, so that they can be translated and shown on any terminal. Data only; no code may enter.
"""
