"""Jobs for new pictures: offload, second reading, topup, import from a folder, ingest from a drive."""
