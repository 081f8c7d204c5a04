"""Words that cannot be names in C99 or C++, and those that headers and compilers define."""

import re

__all__ = ["RESERVED"]


# ISO/IEC 9899:1999, 7.18.2 to 7.18.4 (from memory; what stdint.h of gcc 12 defines agrees).
LIMITS = re.compile(
    r"U?INT(_LEAST|_FAST)?(8|16|32|64)_(MIN|MAX|C)|U?INT(MAX|PTR)_(MIN|MAX|C)"
    r"|(PTRDIFF|SIG_ATOMIC|SIZE|WCHAR|WINT)_(MIN|MAX)"
)


class _Reserved(frozenset[str]):
    """Words that cannot be names, limits of stdint.h, and names that begin as those of the runtime do."""

    def __contains__(self, name: object) -> bool:
        if super().__contains__(name):
            return True
        return isinstance(name, str) and (
            name.lower().startswith("lb_") or LIMITS.fullmatch(name) is not None
        )


# ISO/IEC 9899:1999, 6.4.1, and ISO/IEC 14882:2020, tables 5 and 6 (both from memory; compilers agree).
RESERVED = _Reserved(
    [
        "auto",
        "break",
        "case",
        "char",
        "const",
        "continue",
        "default",
        "do",
        "double",
        "else",
        "enum",
        "extern",
        "float",
        "for",
        "goto",
        "if",
        "inline",
        "int",
        "long",
        "register",
        "restrict",
        "return",
        "short",
        "signed",
        "sizeof",
        "static",
        "struct",
        "switch",
        "typedef",
        "union",
        "unsigned",
        "void",
        "volatile",
        "while",
        "_Bool",
        "_Complex",
        "_Imaginary",
        "alignas",
        "alignof",
        "and",
        "and_eq",
        "bitand",
        "bitor",
        "bool",
        "catch",
        "char8_t",
        "char16_t",
        "char32_t",
        "class",
        "co_await",
        "co_return",
        "co_yield",
        "compl",
        "concept",
        "consteval",
        "constexpr",
        "constinit",
        "const_cast",
        "decltype",
        "delete",
        "dynamic_cast",
        "explicit",
        "export",
        "false",
        "friend",
        "mutable",
        "namespace",
        "new",
        "noexcept",
        "not",
        "not_eq",
        "nullptr",
        "operator",
        "or",
        "or_eq",
        "private",
        "protected",
        "public",
        "reinterpret_cast",
        "requires",
        "static_assert",
        "static_cast",
        "template",
        "this",
        "thread_local",
        "throw",
        "true",
        "try",
        "typeid",
        "typename",
        "using",
        "virtual",
        "wchar_t",
        "xor",
        "xor_eq",
        "NULL",
        "size_t",
        "ptrdiff_t",
        "offsetof",
        "memcpy",
        "memmove",
        "memset",
        "errno",
        # What compilers define without -std=c99: gcc -dM -E for x86, AVR; the others from memory.
        "linux",
        "unix",
        "i386",
        "AVR",
        "mips",
        "sparc",
        "sun",
        "vax",
        "PPC",
        "asm",
        "typeof",
        "typeof_unqual",
        # Macros of stdio.h, which may stand in front of the header.
        "EOF",
        "stdin",
        "stdout",
        "stderr",
        "int8_t",
        "int16_t",
        "int32_t",
        "int64_t",
        "uint8_t",
        "uint16_t",
        "uint32_t",
        "uint64_t",
    ]
)
