"""The S3 protocol: addresses, credentials, signatures, connections, uploads and listings."""
