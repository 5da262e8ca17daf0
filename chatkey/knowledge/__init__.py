"""YAML in, one immutable Knowledge out."""

from chatkey.knowledge.load import FaultyKnowledgeError, load_knowledge, read_knowledge
from chatkey.knowledge.model import Character, Group, Knowledge, Taxon
from chatkey.knowledge.yaml_nodes import KnowledgeError, Problems

__all__ = [
    "Character",
    "FaultyKnowledgeError",
    "Group",
    "Knowledge",
    "KnowledgeError",
    "Problems",
    "Taxon",
    "load_knowledge",
    "read_knowledge",
]
