/* Entry points for a computer: whole arrays in one call, and a board with its storage in memory. Not for boards. */
#ifndef LM_HOST_H
#define LM_HOST_H
#include <stddef.h>
#include <stdint.h>

#if defined(_WIN32)
#define LM_API __declspec(dllexport)
#else
#define LM_API __attribute__((visibility("default")))
#endif

#endif
