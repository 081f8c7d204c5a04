/* A piece of a line. */
typedef struct {
    const uint8_t *text;
    size_t n;
} lb_word;

/* Where in a line the next word begins, if there is one. */
typedef struct {
    const uint8_t *text;
    size_t at;
    size_t n;
    uint8_t more;
} lb_words;
