/* One byte at a time: each function returns the next state, or what is to be done besides. */
#define LB_GO(x) do { (void)state; return LB_AT_##x; } while (0)
#define LB_GO_TO(x) return (x)
#define LB_AGAIN(x) do { (void)state; (void)byte; return LB_DO_AGAIN | LB_AT_##x; } while (0)
#define LB_REFUSE(why) do { (void)state; return (uint16_t)(LB_DO_REFUSE | (why)); } while (0)
#define LB_ASTRAY(x) do { (void)state; (void)byte; return LB_DO_ASTRAY | LB_AT_##x; } while (0)
#define LB_END_OF_LINE() return LB_DO_END
#define LB_COVERED() (void)0
#define LB_EACH_BYTE
#define LB_NEXT(x, kept) kept; LB_GO(x)
#define LB_OTHERWISE(x) do { (void)state; return LB_DO_SPACE | LB_AT_##x; } while (0)
