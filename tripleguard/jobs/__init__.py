"""The jobs: generators that yield progress and return their result. They print nothing."""
